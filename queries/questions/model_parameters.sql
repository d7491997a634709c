-- answers: the figures that the arithmetic uses
-- parameters: none
SELECT id, model, parameter, coalesce(analyte, species, '') AS about, coalesce(condition, '') AS condition,
       value, low, high, unit, source, coalesce(locator, '') AS locator, basis
FROM model_parameters ORDER BY id
