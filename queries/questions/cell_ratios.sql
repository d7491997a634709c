-- answers: how many times its plasma level a species reaches in red cells; the middle where a range is given, none where only a bound is
-- parameters: none
SELECT m.analyte, c.species, coalesce(c.ratio, (c.low + c.high) / 2) AS ratio, c.low, c.high, c.source, c.basis, min(c.id) AS id
FROM cell_contents c JOIN measurands m ON m.species = c.species AND m.relation IN ('is', 'is-activity')
WHERE c.cell = 'erythrocyte' AND coalesce(c.ratio, (c.low + c.high) / 2) IS NOT NULL
GROUP BY m.analyte ORDER BY m.analyte
