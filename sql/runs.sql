-- A row is: an accepted run.
-- Reads: measured, splits, described, rides.
-- Grain: run_id.
-- Parameters: $after_ride_s, $overlap_s.

WITH totals AS (
  SELECT
    run_id,
    SUM(length_m) / 1000 AS distance_km,
    SUM(moving_s) AS moving_s
  FROM splits
  GROUP BY run_id
),

rides_before AS (
  -- The ride that ended last before the run began, at most so long before.
  SELECT
    measured.run_id,
    rides.distance_km AS ride_km,
    EPOCH(rides.ended_at_utc) - EPOCH(rides.started_at_utc) AS ride_s,
    ROW_NUMBER() OVER (
      PARTITION BY measured.run_id ORDER BY rides.ended_at_utc DESC, rides.distance_km DESC, rides.path ASC
    ) AS choice
  FROM measured
  INNER JOIN rides
    ON
      measured.athlete_id = rides.athlete_id
      AND rides.started_at_utc < measured.started_at_utc
      AND EPOCH(measured.started_at_utc) - EPOCH(rides.ended_at_utc) BETWEEN -$overlap_s AND $after_ride_s
)

SELECT
  measured.run_id,
  measured.athlete_id,
  measured.started_at_utc,
  totals.distance_km,
  totals.moving_s,
  measured.paused_s,
  described.kind,
  described.surface,
  described.shoe_id,
  measured.device,
  measured.sensors,
  measured.altitude,
  measured.speed_source,
  measured.tags,
  rides_before.run_id IS NOT NULL AS after_ride,
  rides_before.ride_km,
  rides_before.ride_s
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
