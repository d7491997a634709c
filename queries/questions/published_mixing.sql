-- answers: every mixing experiment, published, reported or worked by arithmetic
-- parameters: none
SELECT e.*, a.label AS analyte_label, c.label AS contaminant_label FROM mixing_experiments e
JOIN concept a ON a.id = e.analyte JOIN concept c ON c.id = e.contaminant ORDER BY e.id
