-- answers: what has to be done with a specimen for an analyte, and what happens otherwise
-- parameters: analyte (id)
SELECT h.*, r.label AS requirement_label, r.definition AS requirement_definition, m.label AS material_label,
       a.label AS analyte_label
FROM handling h
JOIN handling_requirements r ON r.id = h.requirement
JOIN concept a ON a.id = h.analyte
LEFT JOIN materials m ON m.id = h.material
WHERE h.analyte IN (SELECT broader FROM closure WHERE narrower = :analyte)
ORDER BY r.label, h.id
