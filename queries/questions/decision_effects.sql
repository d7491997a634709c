-- answers: what some additives and factors do to any analyte
-- parameters: causes (an id, or a JSON list of ids)
SELECT w.value AS acting, x.distance AS cause_distance, e.id, e.cause, e.analyte, e.method, e.material, e.direction, e.usability,
       e.dose, e.dose_unit, e.unit, e.status, e.source, e.basis, e.mechanism, m.label AS mechanism_label, m.definition AS mechanism_definition,
       c.label AS cause_label, f.sentence
FROM json_each(CASE substr(:causes, 1, 1) WHEN '[' THEN :causes ELSE '["' || :causes || '"]' END) w
JOIN closure x ON x.narrower = w.value
JOIN effect e ON e.cause = x.broader
JOIN concept c ON c.id = e.cause
JOIN fact f ON f.id = e.id
LEFT JOIN mechanisms m ON m.id = e.mechanism
