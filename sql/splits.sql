-- A row is: a split of a run (a kilometre, or another length), or one of its laps, whose number is in `km`.
-- Reads: samples.
-- Grain: is_lap, run_id, km.
-- Parameters: none.

WITH intervals AS (
  -- The splits that the interval that ends at a sample touches, by `begins_at` and `ends_at`: its place counted in
  -- splits, by distance, or in laps, by time. A sample exactly on a boundary ends the split before it; standing on a
  -- boundary belongs to the split just run. FLOOR and CEIL: // does not floor floats here.
  SELECT
    *,
    GREATEST(CEIL(ends_at)::BIGINT - 1, 0) AS last_split,
    LEAST(FLOOR(begins_at)::BIGINT, GREATEST(CEIL(ends_at)::BIGINT - 1, 0)) AS first_split
  FROM samples
  WHERE interval_s > 0
),

pieces AS (
  -- An interval cut at the boundaries it crosses: distance and time are shared out by place.
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
    CASE
      WHEN intervals.first_split = intervals.last_split THEN 1
      ELSE
        (LEAST(intervals.ends_at, crossed.split_index + 1) - GREATEST(intervals.begins_at, crossed.split_index))
        / (intervals.ends_at - intervals.begins_at)
    END AS piece_share,
    intervals.covered_m * piece_share AS length_m,
    intervals.interval_s * piece_share AS time_s
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
  -- Speed over about a hundred metres, of a lap over a tenth of its time: single samples show the noise of their sensor
  -- and not the pace.
  SELECT
    is_lap,
    run_id,
    km,
    tenth,
    SUM(run_s) AS run_s,
    LN(SUM(length_m) / SUM(run_s)) AS log_speed
  FROM running
  WHERE run_s > 0
  GROUP BY is_lap, run_id, km, tenth
  HAVING SUM(length_m) > 0
),

varied AS (
  SELECT
    is_lap,
    run_id,
    km,
    GREATEST(
      SUM(log_speed * log_speed * run_s) / SUM(run_s) - POWER(SUM(log_speed * run_s) / SUM(run_s), 2), 0
    ) AS log_speed_variance
  FROM tenths
  GROUP BY is_lap, run_id, km
),

measured AS (
  SELECT
    is_lap,
    run_id,
    km,
    SUM(length_m) AS length_m,
    SUM(CASE WHEN gait <> 'stand' THEN time_s END) AS moving_s,
    SUM(run_s) AS running_s,
    SUM(CASE WHEN run_s IS NOT NULL THEN length_m END) AS running_m,
    SUM(CASE WHEN slope_pct IS NOT NULL THEN length_m END) AS sloped_m,
    SUM(slope_pct * length_m) AS sloped_pct_m,
    SUM(slope_pct * slope_pct * length_m) AS sloped_pct2_m,
    SUM(GREATEST(slope_pct, 0) * length_m) / 100 AS climbed_m,
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
    SUM(power_w * run_s)
    / NULLIF(SUM(CASE WHEN power_w IS NOT NULL THEN run_s END), 0)
      AS power_w,
    SUM(recorded_step_length_m * run_s)
    / NULLIF(SUM(CASE WHEN recorded_step_length_m IS NOT NULL THEN run_s END), 0)
      AS recorded_step_length_m,
    SUM(temperature_c * run_s)
    / NULLIF(SUM(CASE WHEN temperature_c IS NOT NULL THEN run_s END), 0)
      AS temperature_c,
    SUM(lagged_speed_m_s * run_s)
    / NULLIF(SUM(CASE WHEN lagged_speed_m_s IS NOT NULL THEN run_s END), 0)
      AS lagged_speed_m_s,
    SUM(CASE WHEN cadence_spm IS NOT NULL THEN run_s END) AS cadence_s,
    SUM(CASE WHEN contact_time_ms IS NOT NULL THEN run_s END) AS contact_time_s,
    SUM(CASE WHEN vertical_oscillation_mm IS NOT NULL THEN run_s END) AS vertical_oscillation_s,
    SUM(CASE WHEN contact_balance_pct IS NOT NULL THEN run_s END) AS contact_balance_s,
    SUM(CASE WHEN heart_rate_bpm IS NOT NULL THEN run_s END) AS heart_rate_s,
    SUM(CASE WHEN power_w IS NOT NULL THEN run_s END) AS power_s,
    SUM(CASE WHEN recorded_step_length_m IS NOT NULL THEN run_s END) AS recorded_step_length_s,
    SUM(CASE WHEN temperature_c IS NOT NULL THEN run_s END) AS temperature_s,
    COUNT(run_s) AS n_valid
  FROM running
  GROUP BY is_lap, run_id, km
),

described AS (
  SELECT
    measured.*,
    varied.log_speed_variance
  FROM measured
  LEFT JOIN varied
    ON
      measured.is_lap = varied.is_lap
      AND measured.run_id = varied.run_id
      AND measured.km = varied.km
)

-- Flight, duty factor and step length follow from the means next to them, so that a row never contradicts itself.
SELECT
  is_lap,
  run_id,
  km,
  length_m,
  cadence_spm,
  contact_time_ms,
  vertical_oscillation_mm,
  contact_balance_pct,
  heart_rate_bpm,
  power_w,
  recorded_step_length_m,
  temperature_c,
  lagged_speed_m_s,
  log_speed_variance,
  n_valid,
  COALESCE(cadence_s, 0) / NULLIF(running_s, 0) AS cadence_share,
  COALESCE(contact_time_s, 0) / NULLIF(running_s, 0) AS contact_time_share,
  COALESCE(vertical_oscillation_s, 0) / NULLIF(running_s, 0) AS vertical_oscillation_share,
  COALESCE(contact_balance_s, 0) / NULLIF(running_s, 0) AS contact_balance_share,
  COALESCE(heart_rate_s, 0) / NULLIF(running_s, 0) AS heart_rate_share,
  COALESCE(power_s, 0) / NULLIF(running_s, 0) AS power_share,
  COALESCE(recorded_step_length_s, 0) / NULLIF(running_s, 0) AS recorded_step_length_share,
  COALESCE(temperature_s, 0) / NULLIF(running_s, 0) AS temperature_share,
  -- Of a split whose altitude is known for less than half, the slope is not known.
  CASE WHEN sloped_m >= length_m / 2 THEN sloped_pct_m / NULLIF(sloped_m, 0) END AS slope_pct,
  CASE WHEN sloped_m >= length_m / 2 THEN sloped_pct2_m / NULLIF(sloped_m, 0) END AS slope_squared_pct2,
  CASE WHEN sloped_m >= length_m / 2 THEN climbed_m END AS climb_m,
  COALESCE(moving_s, 0) AS moving_s,
  COALESCE(running_s, 0) AS running_s,
  COALESCE(running_s, 0) / NULLIF(moving_s, 0) AS run_share,
  running_m / NULLIF(running_s, 0) AS speed_m_s,
  60000 / NULLIF(cadence_spm, 0) - contact_time_ms AS flight_time_ms,
  contact_time_ms * cadence_spm / 120000 AS duty_factor,
  60 * running_m / NULLIF(running_s, 0) / NULLIF(cadence_spm, 0) AS step_length_m
FROM described
ORDER BY is_lap, run_id, km
