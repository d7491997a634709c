-- answers: what departments are called, and whether the tests of one run from one cup
-- parameters: none
SELECT r.id, r.bench, r.departments, r.cup, f.sentence, r.source, r.basis
FROM bench_rules r JOIN fact f ON f.id = r.id
ORDER BY r.id
