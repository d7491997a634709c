-- answers: which asked-for specimens a specimen may stand in for, and what has to be done or said then
-- parameters: material (id)
SELECT s.id, s.asked, s.statement, f.sentence, s.source, s.basis
FROM material_substitutes s JOIN fact f ON f.id = s.id
WHERE s.material = :material
ORDER BY s.id
