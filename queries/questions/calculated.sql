-- answers: which results are worked out from others of the same specimen
-- parameters: none
SELECT analyte, parts, source, basis FROM calculated_results ORDER BY id
