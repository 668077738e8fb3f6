-- A row is: an athlete, a metric and a calendar month.
-- Reads: run_drift, runs.
-- Grain: athlete_id, metric, month.
-- Parameters: none.

WITH weighed AS (
  -- A run weighs by the inverse of its variance; its 95 % interval spans 2 x 1.96 standard errors.
  SELECT
    run_drift.athlete_id,
    run_drift.metric,
    run_drift.drift_pct_per_10km,
    STRFTIME(TIMEZONE('UTC', runs.started_at_utc), '%Y-%m') AS month,
    POWER(3.92 / (run_drift.drift_high - run_drift.drift_low), 2) AS weight
  FROM run_drift
  INNER JOIN runs
    ON run_drift.run_id = runs.run_id
  WHERE run_drift.drift_high > run_drift.drift_low
),

monthly AS (
  SELECT
    athlete_id,
    metric,
    month,
    COUNT(*) AS n_runs,
    SUM(weight) AS total_weight,
    SUM(weight * drift_pct_per_10km) / SUM(weight) AS drift_pct_per_10km,
    SUM(weight * POWER(drift_pct_per_10km, 2))
    - POWER(SUM(weight * drift_pct_per_10km), 2) / SUM(weight) AS disagreement
  FROM weighed
  GROUP BY athlete_id, metric, month
),

widened AS (
  -- Where runs disagree more than their intervals allow, the error grows in proportion (Birge 1932, from memory).
  SELECT
    athlete_id,
    metric,
    month,
    n_runs,
    drift_pct_per_10km,
    1.96 * SQRT(GREATEST(disagreement / NULLIF(n_runs - 1, 0), 1) / total_weight) AS reach
  FROM monthly
)

SELECT
  athlete_id,
  metric,
  month,
  drift_pct_per_10km,
  n_runs,
  drift_pct_per_10km - COALESCE(reach, 0) AS drift_low,
  drift_pct_per_10km + COALESCE(reach, 0) AS drift_high
FROM widened
ORDER BY athlete_id, metric, month
