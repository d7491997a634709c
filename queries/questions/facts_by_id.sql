-- answers: facts by their ids, each as a sentence with its source, and what it is about
-- parameters: ids (JSON list of ids)
SELECT f.id, f.table_name, f.sentence, f.source, f.basis, coalesce(h.analyte, u.analyte, '') AS analyte
FROM json_each(CASE substr(:ids, 1, 1) WHEN '[' THEN :ids ELSE '["' || :ids || '"]' END) j
JOIN fact f ON f.id = j.value
LEFT JOIN handling h ON h.id = f.id
LEFT JOIN urine_rules u ON u.id = f.id
ORDER BY j.key
