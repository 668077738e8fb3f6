-- A row is: a class of landing at a distance, of an event (a date) or of an athlete (all dates).
-- Reads: landings.
-- Grain: scope, subject, distance_km, strike.
-- Parameters: none.

WITH seen AS (
  SELECT
    'event' AS scope,
    distance_km,
    strike,
    angle_deg,
    is_one_foot,
    event AS subject
  FROM landings
  UNION ALL
  SELECT
    'athlete' AS scope,
    distance_km,
    strike,
    angle_deg,
    is_one_foot,
    athlete_id AS subject
  FROM landings
),

places AS (
  SELECT
    scope,
    subject,
    distance_km,
    COUNT(*) AS n_seen,
    AVG(angle_deg) AS mean_angle_of_all_deg
  FROM seen
  GROUP BY scope, subject, distance_km
),

counted AS (
  SELECT
    scope,
    subject,
    distance_km,
    strike,
    COUNT(*) AS n,
    COUNT(*) FILTER (WHERE is_one_foot) AS n_one_foot,
    AVG(angle_deg) AS mean_angle_deg,
    COUNT(angle_deg) AS n_angles
  FROM seen
  GROUP BY scope, subject, distance_km, strike
)

-- A class without landings is a finding too: it has a row wherever a landing was seen.
SELECT
  places.scope,
  places.subject,
  places.distance_km,
  classes.strike,
  places.n_seen,
  places.mean_angle_of_all_deg,
  counted.mean_angle_deg,
  CASE WHEN places.scope = 'event' THEN places.subject END AS event,
  CASE WHEN places.scope = 'athlete' THEN places.subject END AS athlete_id,
  COALESCE(counted.n, 0) AS n,
  COALESCE(counted.n, 0) / places.n_seen AS share,
  COALESCE(counted.n_one_foot, 0) AS n_one_foot,
  COALESCE(counted.n_angles, 0) AS n_angles
FROM places
CROSS JOIN (VALUES ('rearfoot'), ('midfoot'), ('forefoot'), ('asymmetric')) AS classes (strike)
LEFT JOIN counted
  ON
    places.scope = counted.scope
    AND places.subject = counted.subject
    AND places.distance_km = counted.distance_km
    AND classes.strike = counted.strike
ORDER BY places.scope, places.subject, places.distance_km, classes.strike
