-- answers: how a factor is recognised, what settles it, what to do
-- parameters: factor (id)
SELECT a.*, f.label AS factor_label
FROM actions a JOIN factors f ON f.id = a.factor
WHERE a.factor IN (SELECT broader FROM closure WHERE narrower = :factor)
ORDER BY CASE a.kind WHEN 'spot' THEN 0 WHEN 'check' THEN 1 WHEN 'act' THEN 2 ELSE 3 END, a.rank, a.id
