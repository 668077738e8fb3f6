-- A row is: an athlete and a metric.
-- Reads: athlete_drift.
-- Grain: athlete_id, metric.
-- Parameters: none.

WITH ranked AS (
  -- The step-up adjustment of Benjamini and Hochberg (1995), over every athlete and metric that has a p-value.
  SELECT
    athlete_id,
    metric,
    p_value,
    p_value * COUNT(*) OVER () / ROW_NUMBER() OVER (ORDER BY p_value, athlete_id, metric) AS stepped
  FROM athlete_drift
  WHERE p_value IS NOT NULL
),

adjusted AS (
  SELECT
    athlete_id,
    metric,
    LEAST(
      MIN(stepped) OVER (
        ORDER BY p_value, athlete_id, metric ROWS BETWEEN CURRENT ROW AND UNBOUNDED FOLLOWING
      ),
      1
    ) AS q_value
  FROM ranked
)

SELECT
  athlete_drift.athlete_id,
  athlete_drift.metric,
  athlete_drift.n_runs,
  athlete_drift.n_splits,
  athlete_drift.fresh_level,
  athlete_drift.reference_speed_m_s,
  athlete_drift.raw_pct_per_10km,
  athlete_drift.drift_pct_per_10km,
  athlete_drift.drift_low,
  athlete_drift.drift_high,
  athlete_drift.p_value,
  athlete_drift.speed_part_pct,
  athlete_drift.slope_part_pct,
  adjusted.q_value
FROM athlete_drift
LEFT JOIN adjusted
  ON
    athlete_drift.athlete_id = adjusted.athlete_id
    AND athlete_drift.metric = adjusted.metric
ORDER BY athlete_drift.athlete_id, athlete_drift.metric
