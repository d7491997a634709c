-- answers: what the preservative or the way of collection of urine means for some analytes
-- parameters: analytes (an id, or a JSON list of ids)
SELECT w.value AS wanted, x.distance, u.id, u.material, u.additives, u.usability, f.sentence, u.source, u.basis
FROM json_each(CASE substr(:analytes, 1, 1) WHEN '[' THEN :analytes ELSE '["' || :analytes || '"]' END) w
JOIN closure x ON x.narrower = w.value
JOIN urine_rules u ON u.analyte = x.broader
JOIN fact f ON f.id = u.id
WHERE u.usability IS NOT NULL
ORDER BY u.id
