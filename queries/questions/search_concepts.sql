-- answers: every concept whose name or definition holds all the words
-- parameters: words (full-text query)
SELECT c.id, c.kind, c.label, c.definition
FROM concept_fts JOIN concept c ON c.rowid = concept_fts.rowid
WHERE concept_fts MATCH :words
ORDER BY c.kind = 'Source', bm25(concept_fts, 5.0, 1.0), c.id
LIMIT 50
