-- answers: what a temperature of storage is called
-- parameters: none
SELECT id, temperature, low, high, also FROM storage_temperatures ORDER BY id
