-- answers: the reference limits from which a usual level is taken, the first of each analyte
-- parameters: none
SELECT analyte, low, high, unit, source, min(id) AS id FROM reference_limits
WHERE kind = 'reference' AND low IS NOT NULL AND high IS NOT NULL GROUP BY analyte ORDER BY analyte
