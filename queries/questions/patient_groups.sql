-- answers: age groups with their weights, usual haematocrit, blood volumes and limits
-- parameters: none
SELECT * FROM patient_groups ORDER BY coalesce(age_low, -1), id
