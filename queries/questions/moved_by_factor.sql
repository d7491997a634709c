-- answers: which analytes a factor is known to move, whether as published or as derived
-- parameters: factor (id)
SELECT DISTINCT analyte FROM effect
WHERE cause IN (SELECT broader FROM closure WHERE narrower = :factor) AND direction IN ('increase', 'decrease', 'variable', 'unmeasurable')
ORDER BY analyte
