-- answers: the units of an analyte, what its values can be and how they lie in the population
-- parameters: analyte
SELECT a.id, a.label, a.unit AS si_unit, a.conventional_unit, a.factor_to_si, coalesce(p.unit, a.unit, '') AS unit,
       p.mean, p.sd, p.shape, v.low, v.high, v.unit AS possible_unit, v.hint
FROM analytes a LEFT JOIN population p ON p.analyte = a.id LEFT JOIN possible_values v ON v.analyte = a.id
WHERE a.id = :analyte
