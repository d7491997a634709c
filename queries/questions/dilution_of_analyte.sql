-- answers: whether an analyte may be diluted before it is measured, and why
-- parameters: analyte (id)
SELECT d.id, d.allowed, d.statement, d.source, d.basis
FROM dilution_rules d JOIN closure x ON x.broader = d.analyte AND x.narrower = :analyte
ORDER BY d.allowed = 'no' DESC, x.distance, d.id
