-- answers: every published quantity of haemolysis
-- parameters: none
SELECT h.*, c.label AS analyte_label FROM haemolysis_quantities h JOIN concept c ON c.id = h.analyte ORDER BY h.id
