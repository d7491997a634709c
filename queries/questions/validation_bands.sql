-- answers: how much contamination simulated specimens get, band by band
-- parameters: none
SELECT b.id, b.cause, k.label, b.quantity, b.low, b.high, b.unit, b.source, b.basis
FROM validation_bands b JOIN candidate_causes k ON k.cause = b.cause ORDER BY b.id
