-- answers: how far published effects and those derived by rule agree
-- parameters: none
SELECT coalesce(e.mechanism, '(none stated)') AS mechanism,
       sum(e.status = 'asserted' AND e.agreement = 'confirmed') AS published_and_derived,
       sum(e.status = 'asserted' AND e.agreement = 'some-kinds') AS published_derived_for_some_kinds,
       sum(e.agreement = 'asserted-only') AS published_only,
       sum(e.status = 'asserted' AND e.agreement = 'contradicted') AS published_against_derived,
       sum(e.status = 'derived' AND e.agreement = 'confirmed') AS derived_and_confirmed,
       sum(e.status = 'derived' AND e.agreement = 'some-kinds') AS derived_for_some_kinds,
       sum(e.agreement = 'derived-only') AS derived_only,
       sum(e.status = 'derived' AND e.agreement = 'contradicted') AS derived_against_published
FROM effect e GROUP BY 1 ORDER BY 1
