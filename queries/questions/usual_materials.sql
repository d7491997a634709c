-- answers: the specimen material that each discipline usually measures in
-- parameters: none
SELECT discipline, material FROM usual_materials ORDER BY discipline
