-- answers: what an additive sets free, and what it thereby binds
-- parameters: additive (id)
SELECT f.id, f.sentence, f.source, f.locator, f.basis FROM fact f
WHERE f.id IN (SELECT id FROM composition WHERE additive = :additive)
   OR f.id IN (SELECT id FROM interaction WHERE agent = :additive)
ORDER BY f.table_name, f.id
