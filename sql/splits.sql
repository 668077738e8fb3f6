-- A row is: a split of a run (a kilometre, or another length), or one of its laps, whose number is in `km`.
-- Reads: summed, tenths.
-- Grain: is_lap, run_id, km.
-- Parameters: none.

WITH paced AS (
  -- Speed over about a hundred metres, of a lap over a tenth of its time: single samples show the noise of their sensor
  -- and not the pace.
  SELECT
    *,
    LN(running_m / running_s) AS log_speed
  FROM tenths
  WHERE running_s > 0 AND running_m > 0
),

varied AS (
  SELECT
    is_lap,
    run_id,
    km,
    GREATEST(
      SUM(log_speed * log_speed * running_s) / SUM(running_s)
      - POWER(SUM(log_speed * running_s) / SUM(running_s), 2), 0
    ) AS log_speed_variance
  FROM paced
  GROUP BY is_lap, run_id, km
),

measured AS (
  SELECT
    summed.*,
    varied.log_speed_variance,
    summed.cadence_spm_s / NULLIF(summed.cadence_spm_known_s, 0) AS cadence_spm,
    summed.contact_time_ms_s / NULLIF(summed.contact_time_ms_known_s, 0) AS contact_time_ms,
    summed.vertical_oscillation_mm_s / NULLIF(summed.vertical_oscillation_mm_known_s, 0) AS vertical_oscillation_mm,
    summed.contact_balance_pct_s / NULLIF(summed.contact_balance_pct_known_s, 0) AS contact_balance_pct,
    summed.heart_rate_bpm_s / NULLIF(summed.heart_rate_bpm_known_s, 0) AS heart_rate_bpm,
    summed.power_w_s / NULLIF(summed.power_w_known_s, 0) AS power_w,
    summed.recorded_step_length_m_s / NULLIF(summed.recorded_step_length_m_known_s, 0) AS recorded_step_length_m,
    summed.temperature_c_s / NULLIF(summed.temperature_c_known_s, 0) AS temperature_c,
    summed.lagged_speed_m_s_s / NULLIF(summed.lagged_speed_m_s_known_s, 0) AS lagged_speed_m_s,
    summed.cadence_spm_square_s / NULLIF(summed.cadence_spm_known_s, 0) AS cadence_square,
    summed.contact_time_ms_square_s / NULLIF(summed.contact_time_ms_known_s, 0) AS contact_time_square
  FROM summed
  LEFT JOIN varied
    ON
      summed.is_lap = varied.is_lap
      AND summed.run_id = varied.run_id
      AND summed.km = varied.km
)

-- Flight, duty factor and step length follow from the means next to them, so that a row never contradicts itself.
SELECT
  is_lap,
  run_id,
  km,
  length_m,
  moving_s,
  running_s,
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
  -- GREATEST takes null for the smallest.
  CASE
    WHEN cadence_spm IS NOT NULL THEN SQRT(GREATEST(cadence_square - cadence_spm * cadence_spm, 0))
  END AS cadence_sd_spm,
  CASE
    WHEN contact_time_ms IS NOT NULL THEN SQRT(GREATEST(contact_time_square - contact_time_ms * contact_time_ms, 0))
  END AS contact_time_sd_ms,
  cadence_spm_known_s / NULLIF(running_s, 0) AS cadence_share,
  contact_time_ms_known_s / NULLIF(running_s, 0) AS contact_time_share,
  vertical_oscillation_mm_known_s / NULLIF(running_s, 0) AS vertical_oscillation_share,
  contact_balance_pct_known_s / NULLIF(running_s, 0) AS contact_balance_share,
  heart_rate_bpm_known_s / NULLIF(running_s, 0) AS heart_rate_share,
  power_w_known_s / NULLIF(running_s, 0) AS power_share,
  recorded_step_length_m_known_s / NULLIF(running_s, 0) AS recorded_step_length_share,
  temperature_c_known_s / NULLIF(running_s, 0) AS temperature_share,
  -- Of a split whose altitude is known for less than half, the slope is not known.
  CASE WHEN sloped_m >= length_m / 2 THEN sloped_pct_m / NULLIF(sloped_m, 0) END AS slope_pct,
  CASE WHEN sloped_m >= length_m / 2 THEN sloped_pct2_m / NULLIF(sloped_m, 0) END AS slope_squared_pct2,
  CASE WHEN sloped_m >= length_m / 2 AND sloped_m > 0 THEN climbed_m END AS climb_m,
  running_s / NULLIF(moving_s, 0) AS run_share,
  running_m / NULLIF(running_s, 0) AS speed_m_s,
  60000 / NULLIF(cadence_spm, 0) - contact_time_ms AS flight_time_ms,
  contact_time_ms * cadence_spm / 120000 AS duty_factor,
  60 * running_m / NULLIF(running_s, 0) / NULLIF(cadence_spm, 0) AS step_length_m
FROM measured
ORDER BY is_lap, run_id, km
