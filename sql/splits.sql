-- A row is: a split (a kilometre, or another length) of a run.
-- Reads: samples.
-- Grain: run_id, km.
-- Parameters: $split_length_m.

WITH places AS (
  -- Where the interval that ends at a sample lies, counted in splits. Rounded to billionths: running sums miss a
  -- boundary by the last digits of a float, and would leave a split of no length behind it.
  SELECT
    *,
    ROUND(distance_m / $split_length_m, 9) AS ends_at,
    ROUND((distance_m - covered_m) / $split_length_m, 9) AS begins_at
  FROM samples
  WHERE interval_s > 0
),

intervals AS (
  -- The splits it touches. A sample exactly on a boundary ends the split before it; standing on a boundary belongs to
  -- the split just run. FLOOR and CEIL: // does not floor floats here.
  SELECT
    *,
    GREATEST(CEIL(ends_at)::BIGINT - 1, 0) AS last_split,
    LEAST(FLOOR(begins_at)::BIGINT, GREATEST(CEIL(ends_at)::BIGINT - 1, 0)) AS first_split
  FROM places
),

pieces AS (
  -- An interval cut at the boundaries it crosses: distance is shared out by place, time in proportion to distance.
  SELECT
    intervals.*,
    crossed.split_index + 1 AS km,
    -- In which tenth of the split its middle lies.
    FLOOR(
      5 * (
        LEAST(intervals.ends_at, crossed.split_index + 1) + GREATEST(intervals.begins_at, crossed.split_index)
        - 2 * crossed.split_index
      )
    ) AS tenth,
    $split_length_m * GREATEST(
      LEAST(intervals.ends_at, crossed.split_index + 1) - GREATEST(intervals.begins_at, crossed.split_index), 0
    ) AS length_m,
    CASE
      WHEN intervals.first_split = intervals.last_split THEN intervals.interval_s
      ELSE
        intervals.interval_s * (
          LEAST(intervals.ends_at, crossed.split_index + 1) - GREATEST(intervals.begins_at, crossed.split_index)
        ) / (intervals.ends_at - intervals.begins_at)
    END AS time_s
  FROM intervals
  CROSS JOIN UNNEST(RANGE(intervals.first_split, intervals.last_split + 1)) AS crossed (split_index)
),

running AS (
  -- The time run in a piece; null where it was not run, so that sums leave it out.
  SELECT
    *,
    CASE WHEN gait = 'run' THEN time_s END AS run_s
  FROM pieces
),

tenths AS (
  -- Speed over about a hundred metres: single samples show the noise of their sensor and not the pace.
  SELECT
    run_id,
    km,
    tenth,
    SUM(run_s) AS run_s,
    LN(SUM(length_m) / SUM(run_s)) AS log_speed
  FROM running
  WHERE run_s > 0
  GROUP BY run_id, km, tenth
  HAVING SUM(length_m) > 0
),

varied AS (
  SELECT
    run_id,
    km,
    GREATEST(
      SUM(log_speed * log_speed * run_s) / SUM(run_s) - POWER(SUM(log_speed * run_s) / SUM(run_s), 2), 0
    ) AS log_speed_variance
  FROM tenths
  GROUP BY run_id, km
),

measured AS (
  SELECT
    run_id,
    km,
    SUM(length_m) AS length_m,
    SUM(CASE WHEN gait <> 'stand' THEN time_s END) AS moving_s,
    SUM(run_s) AS running_s,
    SUM(CASE WHEN run_s IS NOT NULL THEN length_m END) AS running_m,
    SUM(CASE WHEN slope_pct IS NOT NULL THEN length_m END) AS sloped_m,
    SUM(slope_pct * length_m) AS sloped_pct_m,
    SUM(slope_pct * slope_pct * length_m) AS sloped_pct2_m,
    SUM(cadence_spm * run_s)
    / NULLIF(SUM(CASE WHEN cadence_spm IS NOT NULL THEN run_s END), 0) AS cadence_spm,
    SUM(contact_time_ms * run_s)
    / NULLIF(SUM(CASE WHEN contact_time_ms IS NOT NULL THEN run_s END), 0)
      AS contact_time_ms,
    SUM(vertical_oscillation_mm * run_s)
    / NULLIF(SUM(CASE WHEN vertical_oscillation_mm IS NOT NULL THEN run_s END), 0)
      AS vertical_oscillation_mm,
    SUM(contact_balance_pct * run_s)
    / NULLIF(SUM(CASE WHEN contact_balance_pct IS NOT NULL THEN run_s END), 0)
      AS contact_balance_pct,
    SUM(heart_rate_bpm * run_s)
    / NULLIF(SUM(CASE WHEN heart_rate_bpm IS NOT NULL THEN run_s END), 0)
      AS heart_rate_bpm,
    SUM(lagged_speed_m_s * run_s)
    / NULLIF(SUM(CASE WHEN lagged_speed_m_s IS NOT NULL THEN run_s END), 0)
      AS lagged_speed_m_s,
    COUNT(run_s) AS n_valid
  FROM running
  GROUP BY run_id, km
),

described AS (
  SELECT
    measured.*,
    varied.log_speed_variance
  FROM measured
  LEFT JOIN varied ON measured.run_id = varied.run_id AND measured.km = varied.km
)

-- Flight, duty factor and step length follow from the means next to them, so that a row never contradicts itself.
SELECT
  run_id,
  km,
  length_m,
  cadence_spm,
  contact_time_ms,
  vertical_oscillation_mm,
  contact_balance_pct,
  heart_rate_bpm,
  lagged_speed_m_s,
  log_speed_variance,
  n_valid,
  -- Of a split whose altitude is known for less than half, the slope is not known.
  CASE WHEN sloped_m >= length_m / 2 THEN sloped_pct_m / NULLIF(sloped_m, 0) END AS slope_pct,
  CASE WHEN sloped_m >= length_m / 2 THEN sloped_pct2_m / NULLIF(sloped_m, 0) END AS slope_squared_pct2,
  COALESCE(moving_s, 0) AS moving_s,
  COALESCE(running_s, 0) AS running_s,
  COALESCE(running_s, 0) / NULLIF(moving_s, 0) AS run_share,
  running_m / NULLIF(running_s, 0) AS speed_m_s,
  60000 / NULLIF(cadence_spm, 0) - contact_time_ms AS flight_time_ms,
  contact_time_ms * cadence_spm / 120000 AS duty_factor,
  60 * running_m / NULLIF(running_s, 0) / NULLIF(cadence_spm, 0) AS step_length_m
FROM described
ORDER BY run_id, km
