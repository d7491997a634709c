-- answers: the looks, questions and extra measurements that tell causes of an odd panel apart
-- parameters: none
SELECT id, "check", label, positive, needs, usual, materials, analytes, source, basis FROM checks ORDER BY id
