-- answers: how results of one person go together in the population
-- parameters: none
SELECT analyte, other, correlation FROM population_correlations ORDER BY id
