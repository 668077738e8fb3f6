-- A row is: an athlete and a metric.
-- Reads: athlete_drift, repeatability, smallest_change.
-- Grain: athlete_id, metric.
-- Parameters: $level, $max_collinearity.

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
),

judged AS (
  -- Holding is a claim too, and comes first: a change that is certain but too small to matter is no degradation.
  SELECT
    athlete_drift.*,
    adjusted.q_value,
    smallest_change.smallest_change_pct,
    repeatability.repeatability,
    repeatability.repeatability_low,
    repeatability.repeatability_high,
    CASE
      WHEN athlete_drift.drift_pct_per_10km IS NULL AND athlete_drift.collinearity IS NULL THEN 'too_little_data'
      WHEN athlete_drift.drift_pct_per_10km IS NULL OR athlete_drift.collinearity > $max_collinearity THEN 'unclear'
      WHEN
        athlete_drift.drift_low > -smallest_change.smallest_change_pct
        AND athlete_drift.drift_high < smallest_change.smallest_change_pct
        THEN 'holds'
      WHEN adjusted.q_value <= $level AND athlete_drift.drift_low > 0 THEN 'rises'
      WHEN adjusted.q_value <= $level AND athlete_drift.drift_high < 0 THEN 'falls'
      ELSE 'unclear'
    END AS finding
  FROM athlete_drift
  LEFT JOIN adjusted
    ON
      athlete_drift.athlete_id = adjusted.athlete_id
      AND athlete_drift.metric = adjusted.metric
  LEFT JOIN repeatability
    ON
      athlete_drift.athlete_id = repeatability.athlete_id
      AND athlete_drift.metric = repeatability.metric
  LEFT JOIN smallest_change
    ON athlete_drift.metric = smallest_change.metric
)

SELECT
  athlete_id,
  metric,
  n_runs,
  n_splits,
  fresh_level,
  reference_speed_m_s,
  raw_pct_per_10km,
  drift_pct_per_10km,
  drift_low,
  drift_high,
  p_value,
  q_value,
  speed_part_pct,
  slope_part_pct,
  collinearity,
  response_to_speed,
  response_to_speed_squared,
  response_to_slope,
  response_to_slope_squared,
  smallest_change_pct,
  detectable_pct,
  repeatability,
  repeatability_low,
  repeatability_high,
  finding,
  CASE WHEN finding IN ('rises', 'falls') THEN onset_km END AS onset_km,
  CASE WHEN finding IN ('rises', 'falls') THEN onset_low END AS onset_low,
  CASE WHEN finding IN ('rises', 'falls') THEN onset_high END AS onset_high,
  CASE WHEN finding IN ('rises', 'falls') THEN drift_before_onset_pct END AS drift_before_onset_pct,
  CASE WHEN finding IN ('rises', 'falls') THEN drift_after_onset_pct END AS drift_after_onset_pct,
  NULLIF(
    CONCAT_WS(
      '; ',
      reason,
      CASE
        WHEN finding = 'unclear' AND reason IS NULL AND (drift_low > 0 OR drift_high < 0)
          THEN 'a change by its own interval, but among so many athletes and metrics chance gives as much'
        WHEN finding = 'unclear' AND reason IS NULL THEN 'these runs leave room for no change and for changes that matter'
      END,
      CASE
        WHEN repeatability_low <= 0 THEN 'the runs differ so much that a single run of this athlete should not be read'
      END
    ),
    ''
  ) AS reason
FROM judged
ORDER BY athlete_id, metric
