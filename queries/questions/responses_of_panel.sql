-- answers: what candidate causes do to each of some results, by severity
-- parameters: analytes (a JSON list of ids), causes (a JSON list of ids)
SELECT r.analyte, r.cause, r.step, r.gain, r.shift, r.spread, r.relative_spread
FROM json_each(CASE substr(:analytes, 1, 1) WHEN '[' THEN :analytes ELSE '["' || :analytes || '"]' END) a CROSS JOIN json_each(CASE substr(:causes, 1, 1) WHEN '[' THEN :causes ELSE '["' || :causes || '"]' END) c
CROSS JOIN cause_response r ON r.analyte = a.value AND r.cause = c.value
