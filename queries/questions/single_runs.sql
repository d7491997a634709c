-- answers: which results come from one measurement
-- parameters: none
SELECT r.id, r.run, r.analytes, r.material, f.sentence, r.source, r.basis
FROM single_runs r JOIN fact f ON f.id = r.id
ORDER BY r.id
