-- answers: every fact that rests on a source
-- parameters: source (id)
SELECT f.id, f.table_name, f.row, f.sentence, f.locator, f.basis FROM fact f WHERE f.source = :source ORDER BY f.id
