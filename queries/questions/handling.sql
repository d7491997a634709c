-- answers: what has to be done with a specimen for an analyte, and what happens otherwise
-- parameters: analyte (id)
SELECT r.label AS requirement_label, r.definition AS requirement_definition, m.label AS material_label,
       a.label AS analyte_label, x.distance, h.*
FROM handling h
JOIN handling_requirements r ON r.id = h.requirement
JOIN concept a ON a.id = h.analyte
JOIN closure x ON x.narrower = :analyte AND x.broader = h.analyte
LEFT JOIN materials m ON m.id = h.material
ORDER BY x.distance, r.label, h.id
