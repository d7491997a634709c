-- answers: what a grade of haemolysis, icterus or lipaemia stands for
-- parameters: none
SELECT id, "index", grade, low, high, unit, source, basis FROM index_grades ORDER BY id
