-- answers: the facts behind what candidate causes do to some results, with their sources
-- parameters: analytes (a JSON list of ids), causes (a JSON list of ids)
SELECT g.cause, g.analyte, g.kind, g.fact, f.source, f.basis
FROM json_each(CASE substr(:analytes, 1, 1) WHEN '[' THEN :analytes ELSE '["' || :analytes || '"]' END) a CROSS JOIN json_each(CASE substr(:causes, 1, 1) WHEN '[' THEN :causes ELSE '["' || :causes || '"]' END) c
CROSS JOIN cause_ground g ON g.analyte = a.value AND g.cause = c.value CROSS JOIN fact f ON f.id = g.fact
