-- answers: everything that moves an analyte, as published and as derived
-- parameters: analyte (id)
-- Effects on a group count for its members, effects on members for the group.
SELECT c.label AS cause_label, c.kind AS cause_kind, a.label AS analyte_label, m.label AS mechanism_label,
       mt.label AS method_label, ma.label AS material_label, e.*
FROM effect e
JOIN concept c ON c.id = e.cause
JOIN concept a ON a.id = e.analyte
LEFT JOIN mechanisms m ON m.id = e.mechanism
LEFT JOIN methods mt ON mt.id = e.method
LEFT JOIN materials ma ON ma.id = e.material
WHERE e.analyte IN (SELECT broader FROM closure WHERE narrower = :analyte
                    UNION SELECT narrower FROM closure WHERE broader = :analyte)
ORDER BY c.label, e.status, e.id
