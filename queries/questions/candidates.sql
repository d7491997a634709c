-- answers: every cause that an odd panel may have, with its prior odds and the range of its severity
-- parameters: none
SELECT id, cause, label, factor, kind, model, additive, fluid, prior, course, severity_low, severity_high, severity_unit,
       severity_meaning, materials, source, basis
FROM candidate_causes ORDER BY id
