-- answers: what some analytes require of the handling, by the facts
-- parameters: analytes (an id, or a JSON list of ids)
SELECT w.value AS wanted, x.distance, h.requirement, h.material, h.analyte, h.consequence, f.sentence, h.id, h.source, h.basis,
       r.label AS requirement_label
FROM json_each(CASE substr(:analytes, 1, 1) WHEN '[' THEN :analytes ELSE '["' || :analytes || '"]' END) w
JOIN closure x ON x.narrower = w.value
JOIN handling h ON h.analyte = x.broader
JOIN handling_requirements r ON r.id = h.requirement
JOIN fact f ON f.id = h.id
WHERE h.analyte NOT IN ('any-test', 'blood-tests')
ORDER BY x.distance, h.id
