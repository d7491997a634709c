-- answers: in which directions a cause moves the analytes of the population, as published and as derived
-- parameters: cause (id of an additive or factor)
SELECT e.analyte, max(e.direction = 'increase') AS rises, max(e.direction IN ('decrease')) AS falls,
       max(e.direction = 'no-effect') AS stays, max(e.direction IN ('variable', 'unmeasurable')) AS unsure,
       group_concat(e.id, ';') AS effects
FROM effect e
WHERE e.cause IN (SELECT broader FROM closure WHERE narrower = :cause) AND e.analyte IN (SELECT analyte FROM population)
GROUP BY e.analyte ORDER BY e.analyte
