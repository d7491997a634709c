-- answers: concentrations, ratios, fill, mixing and spinning figures of an additive's tubes
-- parameters: additive (id)
SELECT s.*, f.sentence FROM tube_specifications s JOIN fact f ON f.id = s.id
WHERE s.additive IN (SELECT broader FROM closure WHERE narrower = :additive)
ORDER BY s.quantity, s.id
