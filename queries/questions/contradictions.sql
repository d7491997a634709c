-- answers: which published effects go against what the rules derive, and why
-- parameters: none
SELECT e.id, c.label AS cause, a.label AS analyte, e.direction AS published, e.condition, e.source,
       group_concat(x.explanation, ' ') AS explanation
FROM contradiction k
JOIN effect e ON e.id = k.effect
JOIN concept c ON c.id = e.cause
JOIN concept a ON a.id = e.analyte
LEFT JOIN contradictions x ON x.id = k.explanation
GROUP BY e.id ORDER BY count(x.id) > 0, c.label, a.label, e.id
