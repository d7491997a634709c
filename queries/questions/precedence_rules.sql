-- answers: what comes before what when a specimen is shared, and which demands cannot be met together
-- parameters: none
SELECT * FROM precedence_rules ORDER BY id
