-- A row is: an athlete and a metric.
-- Reads: adjusted, athlete_drift, left_out, repeatability, smallest_change, suspected.
-- Grain: athlete_id, metric.
-- Parameters: $level, $max_collinearity, $max_late_exclusion_excess, $usual_distance_margin.

WITH weighed AS (
  SELECT
    athlete_drift.*,
    adjusted.q_value,
    smallest_change.smallest_change_pct,
    suspected.missing_because,
    suspected.missing_reason,
    left_out.left_out_because,
    left_out.left_out_reason,
    repeatability.repeatability,
    repeatability.repeatability_low,
    repeatability.repeatability_high,
    COALESCE(suspected.suspicion, left_out.suspicion) AS suspicion,
    $usual_distance_margin * smallest_change.smallest_change_pct AS smallest_change_at_usual_distance_pct,
    -- Where a curve fits as well as a broken line, the line is bent and has no place where it begins to be.
    athlete_drift.drift_after_onset_pct IS NOT NULL AS breaks,
    athlete_drift.drift_low > -smallest_change.smallest_change_pct
    AND athlete_drift.drift_high < smallest_change.smallest_change_pct AS is_small_per_10km,
    athlete_drift.either_line_low > -$usual_distance_margin * smallest_change.smallest_change_pct
    AND athlete_drift.either_line_high
    < $usual_distance_margin * smallest_change.smallest_change_pct AS is_small_at_usual_distance,
    athlete_drift.excluded_late_share - COALESCE(athlete_drift.excluded_early_share, 0)
    > $max_late_exclusion_excess AS late_is_missing,
    adjusted.q_value <= $level AND athlete_drift.drift_low > 0 AS is_up,
    adjusted.q_value <= $level AND athlete_drift.drift_high < 0 AS is_down,
    -- Beyond the break the change goes the way that the whole change has gone by the usual distance.
    (athlete_drift.change_at_usual_distance_low > 0 AND athlete_drift.drift_after_onset_pct > 0)
    OR (athlete_drift.change_at_usual_distance_high < 0 AND athlete_drift.drift_after_onset_pct < 0) AS is_late_change
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
  LEFT JOIN left_out
    ON athlete_drift.athlete_id = left_out.athlete_id
  LEFT JOIN suspected
    ON
      athlete_drift.athlete_id = suspected.athlete_id
      AND athlete_drift.metric = suspected.metric
),

judged AS (
  -- To hold is a claim too, about the run that the athlete really runs, whether the line is straight or breaks. It
  -- comes before rises and falls: a change that is certain but too small to matter is no degradation.
  SELECT
    *,
    CASE
      WHEN drift_pct_per_10km IS NULL AND collinearity IS NULL THEN 'too_little_data'
      WHEN drift_pct_per_10km IS NULL OR collinearity > $max_collinearity THEN 'unclear'
      WHEN is_small_per_10km AND is_small_at_usual_distance AND NOT breaks AND NOT late_is_missing THEN 'holds'
      WHEN (is_up OR is_down) AND depends_on_speed THEN 'unclear'
      WHEN is_up AND NOT is_small_per_10km THEN 'rises'
      WHEN is_down AND NOT is_small_per_10km THEN 'falls'
      WHEN breaks AND is_late_change THEN 'changes_late'
      WHEN is_up AND NOT is_small_at_usual_distance THEN 'rises'
      WHEN is_down AND NOT is_small_at_usual_distance THEN 'falls'
      ELSE 'unclear'
    END AS finding
  FROM weighed
),

explained AS (
  SELECT
    *,
    CASE
      WHEN finding <> 'unclear' OR reason IS NOT NULL THEN NULL
      WHEN depends_on_speed AND NOT (is_small_per_10km AND is_small_at_usual_distance AND NOT breaks)
        THEN 'depends_on_speed'
      WHEN breaks THEN 'break_may_be_none'
      WHEN is_small_per_10km AND is_small_at_usual_distance THEN 'late_is_missing'
      WHEN is_small_per_10km THEN 'adds_up'
      WHEN q_value IS NULL THEN 'no_scatter'
      WHEN (drift_low > 0 OR drift_high < 0) AND p_value > $level THEN 'lopsided'
      WHEN drift_low > 0 OR drift_high < 0 THEN 'chance'
      ELSE 'wide'
    END AS open_because
  FROM judged
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
  speed_reliability,
  response_to_speed,
  response_to_speed_shared_se,
  response_to_speed_squared,
  response_to_slope,
  response_to_slope_squared,
  response_to_pace_variance,
  response_to_warm_up,
  responses_covariance,
  smallest_change_pct,
  smallest_change_at_usual_distance_pct,
  detectable_pct,
  detectable_at_best_pct,
  usual_distance_km,
  change_at_usual_distance_pct,
  change_at_usual_distance_low,
  change_at_usual_distance_high,
  excluded_early_share,
  excluded_late_share,
  repeatability,
  repeatability_low,
  repeatability_high,
  finding,
  suspicion,
  CASE WHEN finding IN ('rises', 'falls') THEN tipping_reliability END AS tipping_reliability,
  CASE WHEN finding IN ('rises', 'falls', 'changes_late') THEN onset_km END AS onset_km,
  CASE WHEN finding IN ('rises', 'falls', 'changes_late') THEN onset_low END AS onset_low,
  CASE WHEN finding IN ('rises', 'falls', 'changes_late') THEN onset_high END AS onset_high,
  CASE
    WHEN finding IN ('rises', 'falls', 'changes_late') AND onset_km IS NOT NULL THEN drift_before_onset_pct
  END AS drift_before_onset_pct,
  CASE
    WHEN finding IN ('rises', 'falls', 'changes_late') AND onset_km IS NOT NULL THEN drift_after_onset_pct
  END AS drift_after_onset_pct,
  NULLIF(
    CONCAT_WS(
      '; ',
      missing_because,
      left_out_because,
      reason,
      CASE open_because
        WHEN 'depends_on_speed' THEN 'depends on how well speed was measured'
        WHEN 'break_may_be_none' THEN 'a break stands out, but by the usual distance the change may be none'
        WHEN 'late_is_missing'
          THEN
            CONCAT(
              CAST(ROUND(100 * excluded_late_share) AS INTEGER),
              ' % of the late kilometres are missing (walked, or without a reading), fewer of the early ones'
            )
        WHEN 'adds_up' THEN 'small per 10 km, but by the usual distance it may add up to a change that matters'
        WHEN 'no_scatter' THEN 'nothing scatters in these runs, so how sure the change is cannot be told'
        WHEN 'lopsided'
          THEN
            'the interval excludes zero, but the p-value, for which errors are as large one way as the other, '
            || 'is above 0.05'
        WHEN 'chance' THEN 'a change by its own interval, but among so many athletes and metrics chance gives as much'
        WHEN 'wide' THEN 'these runs leave room for no change and for changes that matter'
      END,
      CASE
        WHEN club_response IS NOT NULL
          THEN
            CONCAT(
              'responds to speed unlike the club (exponent ',
              PRINTF('%.2f', response_to_speed),
              ', the club''s mean ',
              PRINTF('%.2f', club_response),
              ')'
            )
      END,
      CASE
        WHEN repeatability_low <= 0 THEN 'the runs differ so much that a single run of this athlete should not be read'
      END
    ),
    ''
  ) AS reason,
  NULLIF(
    CONCAT(
      '[',
      CONCAT_WS(
        ',',
        missing_reason,
        left_out_reason,
        reasons,
        CASE
          WHEN open_because = 'late_is_missing'
            THEN
              PRINTF('{"kind":"late_is_missing","share_pct":%d}', CAST(ROUND(100 * excluded_late_share) AS INTEGER))
          WHEN open_because IS NOT NULL THEN PRINTF('{"kind":"%s"}', open_because)
        END,
        CASE
          WHEN club_response IS NOT NULL
            THEN PRINTF('{"kind":"unlike_club","exponent":%.2f,"club":%.2f}', response_to_speed, club_response)
        END,
        CASE WHEN repeatability_low <= 0 THEN '{"kind":"runs_differ"}' END
      ),
      ']'
    ),
    '[]'
  ) AS reasons
FROM explained
ORDER BY athlete_id, metric
