-- answers: how well people, rules and learned models recognise spoilt specimens, as published
-- parameters: none
SELECT id, quantity, subject, value, low, high, unit, condition, coalesce(earlier, '') AS earlier, source, basis, note FROM recognition_benchmarks ORDER BY id
