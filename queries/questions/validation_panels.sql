-- answers: which results the panels of the validation hold
-- parameters: none
SELECT id, panel, analyte, source, basis FROM validation_panels ORDER BY id
