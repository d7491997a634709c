-- answers: what an additive or another factor does to every analyte, as published and as derived
-- parameters: cause (id)
-- Effects recorded for a broader or a narrower cause count too; `cause` says for which.
SELECT c.label AS cause_label, a.label AS analyte_label, a.kind AS analyte_kind, m.label AS mechanism_label,
       mt.label AS method_label, ma.label AS material_label, e.*
FROM effect e
JOIN concept c ON c.id = e.cause
JOIN concept a ON a.id = e.analyte
LEFT JOIN mechanisms m ON m.id = e.mechanism
LEFT JOIN methods mt ON mt.id = e.method
LEFT JOIN materials ma ON ma.id = e.material
WHERE e.cause IN (SELECT broader FROM closure WHERE narrower = :cause
                  UNION SELECT narrower FROM closure WHERE broader = :cause)
ORDER BY a.label, e.status, e.id
