-- answers: from how much free haemoglobin on some analytes are published to change, and up to how much not
-- parameters: analytes (an id, or a JSON list of ids)
SELECT w.value AS wanted, q.id, q.quantity, q.low, q.high, q.unit, q.source, q.basis, f.sentence
FROM json_each(CASE substr(:analytes, 1, 1) WHEN '[' THEN :analytes ELSE '["' || :analytes || '"]' END) w
JOIN closure x ON x.narrower = w.value
JOIN haemolysis_quantities q ON q.analyte = x.broader
JOIN fact f ON f.id = q.id
WHERE q.quantity IN ('threshold', 'no-effect-up-to') AND q.unit = 'g/L'
ORDER BY q.id
