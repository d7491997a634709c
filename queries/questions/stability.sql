-- answers: how long an analyte stays true in which material, state and temperature
-- parameters: analyte (id)
SELECT m.label AS material_label, a.label AS analyte_label, f.sentence, s.*
FROM stability s
JOIN materials m ON m.id = s.material
JOIN concept a ON a.id = s.analyte
JOIN fact f ON f.id = s.id
WHERE s.analyte IN (SELECT broader FROM closure WHERE narrower = :analyte)
ORDER BY s.state, s.temperature, m.label, s.id
