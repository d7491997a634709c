-- answers: how a cause that is known by its pattern moves each analyte
-- parameters: cause (key of a candidate)
SELECT s.id, s.analyte, c.label, s.change, s.change_kind, s.source, s.basis
FROM cause_shifts s JOIN concept c ON c.id = s.analyte WHERE s.cause = :cause ORDER BY s.id
