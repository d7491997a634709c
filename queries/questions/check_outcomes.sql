-- answers: how likely a check is to come out positive when a cause is true
-- parameters: none
SELECT "check", cause, probability, source, basis FROM check_outcomes ORDER BY id
