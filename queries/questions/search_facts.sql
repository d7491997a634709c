-- answers: every fact that holds all the words
-- parameters: words (full-text query)
SELECT f.id, f.table_name, f.row, f.sentence, f.source, f.basis
FROM fact_fts JOIN fact f ON f.rowid = fact_fts.rowid
WHERE fact_fts MATCH :words
ORDER BY bm25(fact_fts), f.id
LIMIT 200
