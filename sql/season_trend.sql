-- A row is: an athlete, a metric and a calendar month.
-- Reads: run_drift, runs, student_t.
-- Grain: athlete_id, metric, month.
-- Parameters: $least_df.

WITH entering AS (
  -- A run weighs by the inverse of its variance; what runs share of their errors does not tell them apart.
  SELECT
    run_drift.athlete_id,
    run_drift.metric,
    run_drift.drift_pct_per_10km,
    run_drift.response_se_pct_per_10km AS shared_error,
    STRFTIME(TIMEZONE('UTC', runs.started_at_utc), '%Y-%m') AS month,
    POWER(run_drift.within_run_se_pct_per_10km, 2) AS own_variance
  FROM run_drift
  INNER JOIN runs
    ON run_drift.run_id = runs.run_id
  WHERE run_drift.within_run_se_pct_per_10km > 0
),

seasons AS (
  SELECT
    athlete_id,
    metric,
    COUNT(*) - COUNT(DISTINCT month) >= $least_df AS is_by_month
  FROM entering
  GROUP BY athlete_id, metric
),

pooled AS (
  -- How much runs scatter is seen inside months, or over the season where months have too few runs.
  SELECT
    entering.*,
    CASE WHEN seasons.is_by_month THEN entering.month ELSE 'season' END AS pool
  FROM entering
  INNER JOIN seasons
    ON
      entering.athlete_id = seasons.athlete_id
      AND entering.metric = seasons.metric
),

centred AS (
  SELECT
    *,
    SUM(drift_pct_per_10km / own_variance) OVER pools / SUM(1 / own_variance) OVER pools AS pool_mean,
    SUM(shared_error / own_variance) OVER pools / SUM(1 / own_variance) OVER pools AS pool_shared
  FROM pooled
  WINDOW pools AS (PARTITION BY athlete_id, metric, pool)
),

pools AS (
  SELECT
    athlete_id,
    metric,
    COUNT(*) - 1 AS df,
    -- Runs that lean on the same responses by differing amounts disagree by that, too, and it is counted below.
    SUM(
      (POWER(drift_pct_per_10km - pool_mean, 2) - POWER(shared_error - pool_shared, 2)) / own_variance
    ) AS disagreement,
    SUM(1 / own_variance) - SUM(POWER(own_variance, -2)) / SUM(1 / own_variance) AS spare
  FROM centred
  GROUP BY athlete_id, metric, pool
),

scattered AS (
  -- The variance between runs by moments (DerSimonian and Laird 1986).
  SELECT
    athlete_id,
    metric,
    SUM(df) AS df,
    GREATEST((SUM(disagreement) - SUM(df)) / NULLIF(SUM(spare), 0), 0) AS between_variance
  FROM pools
  GROUP BY athlete_id, metric
),

weighed AS (
  SELECT
    pooled.*,
    scattered.df,
    1 / (pooled.own_variance + COALESCE(scattered.between_variance, 0)) AS weight
  FROM pooled
  INNER JOIN scattered
    ON
      pooled.athlete_id = scattered.athlete_id
      AND pooled.metric = scattered.metric
),

recentred AS (
  SELECT
    *,
    SUM(weight * drift_pct_per_10km) OVER pools / SUM(weight) OVER pools AS pool_mean
  FROM weighed
  WINDOW pools AS (PARTITION BY athlete_id, metric, pool)
),

scaled AS (
  -- The error comes from the scatter that is left, never less than the runs' own errors say, with a t distribution
  -- (Knapp and Hartung 2003).
  SELECT
    *,
    GREATEST(SUM(weight * POWER(drift_pct_per_10km - pool_mean, 2)) OVER seasons / NULLIF(df, 0), 1) AS scale
  FROM recentred
  WINDOW seasons AS (PARTITION BY athlete_id, metric)
),

monthly AS (
  SELECT
    athlete_id,
    metric,
    month,
    COUNT(*) AS n_runs,
    ANY_VALUE(df) AS df,
    SUM(weight * drift_pct_per_10km) / SUM(weight) AS drift_pct_per_10km,
    SQRT(ANY_VALUE(scale) / SUM(weight) + POWER(SUM(weight * shared_error) / SUM(weight), 2)) AS error
  FROM scaled
  GROUP BY athlete_id, metric, month
)

SELECT
  monthly.athlete_id,
  monthly.metric,
  monthly.month,
  monthly.drift_pct_per_10km,
  monthly.n_runs,
  monthly.drift_pct_per_10km - student_t.quantile * monthly.error AS drift_low,
  monthly.drift_pct_per_10km + student_t.quantile * monthly.error AS drift_high
FROM monthly
LEFT JOIN student_t
  ON monthly.df = student_t.df
ORDER BY monthly.athlete_id, monthly.metric, monthly.month
