-- answers: which materials suit some analytes
-- parameters: analytes (an id, or a JSON list of ids)
SELECT w.value AS wanted, x.distance, m.label AS material_label, a.label AS analyte_label, f.sentence, s.*
FROM json_each(CASE substr(:analytes, 1, 1) WHEN '[' THEN :analytes ELSE '["' || :analytes || '"]' END) w
JOIN closure x ON x.narrower = w.value
JOIN suitability s ON s.analyte = x.broader
JOIN materials m ON m.id = s.material
JOIN concept a ON a.id = s.analyte
JOIN fact f ON f.id = s.id
ORDER BY s.id
