-- answers: the figures that the planning of a draw uses
-- parameters: none
SELECT id, quantity, subject, value, low, high, unit, condition, source, basis, note FROM planning_values ORDER BY id
