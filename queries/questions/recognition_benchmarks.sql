-- answers: how well people, rules and learned models recognise contaminated specimens, as published
-- parameters: none
SELECT id, quantity, subject, value, low, high, unit, condition, source, basis, note FROM recognition_benchmarks ORDER BY id
