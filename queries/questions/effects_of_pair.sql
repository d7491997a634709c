-- answers: what one cause does to one analyte, as published and as derived
-- parameters: cause (id), analyte (id)
SELECT c.label AS cause_label, a.label AS analyte_label, m.label AS mechanism_label,
       mt.label AS method_label, ma.label AS material_label, m.definition AS mechanism_definition, e.*
FROM effect e
JOIN concept c ON c.id = e.cause
JOIN concept a ON a.id = e.analyte
LEFT JOIN mechanisms m ON m.id = e.mechanism
LEFT JOIN methods mt ON mt.id = e.method
LEFT JOIN materials ma ON ma.id = e.material
WHERE e.cause IN (SELECT broader FROM closure WHERE narrower = :cause
                  UNION SELECT narrower FROM closure WHERE broader = :cause)
  AND e.analyte IN (SELECT broader FROM closure WHERE narrower = :analyte
                    UNION SELECT narrower FROM closure WHERE broader = :analyte)
ORDER BY (e.cause = :cause AND e.analyte = :analyte) DESC, e.status, e.id
