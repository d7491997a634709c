-- answers: for which specimens a limit holds that was published under a condition
-- parameters: none
SELECT id, condition, field, comparison, value, source, basis FROM limit_conditions ORDER BY id
