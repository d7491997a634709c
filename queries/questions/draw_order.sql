-- answers: the draw order of a guideline
-- parameters: guideline (id)
SELECT d.*, g.label AS guideline_label FROM draw_order d JOIN guidelines g ON g.id = d.guideline
WHERE d.guideline = :guideline ORDER BY d.position, d.id
