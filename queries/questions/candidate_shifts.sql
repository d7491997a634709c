-- answers: how far each cause that is known by its pattern moves each analyte, at the severity of 1
-- parameters: none
SELECT s.id, s.cause, s.analyte, s.change, s.change_kind, coalesce(s.spread, 0) AS spread, s.source, s.basis
FROM cause_shifts s ORDER BY s.id
