-- answers: how long some analytes keep, by the tables of stability and of handling
-- parameters: analytes (an id, or a JSON list of ids)
SELECT w.value AS wanted, x.distance, 'stability' AS table_name, s.id, s.material, s.additives, s.state, s.temperature, s."limit" AS value,
       s.limit_unit AS unit, s.outcome, s.condition, m.label AS material_label, f.sentence, s.source, s.basis, s.criterion AS remark
FROM json_each(CASE substr(:analytes, 1, 1) WHEN '[' THEN :analytes ELSE '["' || :analytes || '"]' END) w
JOIN closure x ON x.narrower = w.value
JOIN stability s ON s.analyte = x.broader
JOIN materials m ON m.id = s.material
JOIN fact f ON f.id = s.id
UNION ALL
SELECT w.value, x.distance, 'handling', h.id, h.material, NULL, h.requirement, NULL, h.value, h.unit, 'unstable-after', h.condition,
       m.label, f.sentence, h.source, h.basis, h.consequence
FROM json_each(CASE substr(:analytes, 1, 1) WHEN '[' THEN :analytes ELSE '["' || :analytes || '"]' END) w
JOIN closure x ON x.narrower = w.value
JOIN handling h ON h.analyte = x.broader
LEFT JOIN materials m ON m.id = h.material
JOIN fact f ON f.id = h.id
WHERE h.unit IN ('min', 'h', 'd')
  AND h.requirement IN ('analyse-within', 'separate-within', 'centrifuge-within', 'make-film-within', 'incubate-within')
