-- answers: what to ask, and whom, when a part of a specimen's story was not said
-- parameters: none
SELECT id, field, whom, question, source, basis FROM story_fields ORDER BY id
