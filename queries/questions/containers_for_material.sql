-- answers: which containers yield a specimen material, those that most tests of the local catalogue ask for first
-- parameters: material (id)
SELECT c.id, c.label, c.kind, (SELECT count(*) FROM test_container x WHERE x.container = c.id) AS tests
FROM containers c
WHERE c.material IN (SELECT narrower FROM closure WHERE broader = :material)
   OR c.additives = (SELECT additive FROM materials WHERE id = :material AND additive <> 'no-additive-container')
   OR c.additives IN (SELECT x.narrower FROM closure x JOIN materials m ON m.additive = x.broader
                      WHERE m.id = :material AND m.additive <> 'no-additive-container')
ORDER BY tests DESC, c.material IN (SELECT narrower FROM closure WHERE broader = :material) DESC, c.id
