-- A row is: an accepted run.
-- Reads: measured, splits, described, rides.
-- Grain: run_id.
-- Parameters: $after_ride_s, $overlap_s.

WITH totals AS (
  SELECT
    run_id,
    SUM(length_m) / 1000 AS distance_km,
    SUM(moving_s) AS moving_s,
    SUM(climb_m) AS climb_m
  FROM splits
  GROUP BY run_id
),

followed AS (
  -- Rides, and when a run that follows them begins.
  SELECT
    *,
    EPOCH(ended_at_utc) - $overlap_s AS earliest_s,
    EPOCH(ended_at_utc) + $after_ride_s AS latest_s
  FROM rides
),

rides_before AS (
  -- The ride that ended last before the run began, at most so long before.
  SELECT
    measured.run_id,
    followed.distance_km AS ride_km,
    EPOCH(followed.ended_at_utc) - EPOCH(followed.started_at_utc) AS ride_s,
    ROW_NUMBER() OVER (
      PARTITION BY measured.run_id ORDER BY followed.ended_at_utc DESC, followed.distance_km DESC, followed.path ASC
    ) AS choice
  FROM measured
  INNER JOIN followed
    ON
      measured.athlete_id = followed.athlete_id
      AND measured.started_at_utc > followed.started_at_utc
      AND EPOCH(measured.started_at_utc) BETWEEN followed.earliest_s AND followed.latest_s
)

SELECT
  measured.run_id,
  measured.athlete_id,
  measured.started_at_utc,
  totals.distance_km,
  totals.moving_s,
  totals.climb_m,
  measured.paused_s,
  described.kind,
  described.surface,
  described.shoe_id,
  described.line AS session_line,
  measured.device,
  measured.sensors,
  measured.altitude,
  measured.speed_source,
  measured.tags,
  rides_before.ride_km,
  rides_before.ride_s,
  rides_before.run_id IS NOT NULL AS after_ride
FROM measured
INNER JOIN totals
  ON measured.run_id = totals.run_id
LEFT JOIN described
  ON measured.run_id = described.run_id
LEFT JOIN rides_before
  ON
    measured.run_id = rides_before.run_id
    AND rides_before.choice = 1
ORDER BY measured.run_id
