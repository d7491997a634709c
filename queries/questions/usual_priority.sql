-- answers: what an analyte counts in a scanty specimen where nobody has said
-- parameters: analyte (id), material (id)
SELECT p.id, p.priority, p.statement, p.supported_by, f.sentence, p.source, p.basis
FROM stretch_priorities p
JOIN fact f ON f.id = p.id
JOIN closure a ON a.broader = p.analyte AND a.narrower = :analyte
JOIN closure m ON m.broader = p.material AND m.narrower = :material
ORDER BY a.distance, p.priority DESC, p.id
