-- A row is: a test, a planted drift, a metric (or all together) and a question.
-- Reads: trials.
-- Grain: test, planted_pct_per_10km, metric, question.
-- Parameters: $every_metric.

WITH asked AS (
  SELECT
    test,
    planted_pct_per_10km,
    question,
    athlete_id,
    metric,
    place,
    n_runs,
    answer
  FROM trials
  UNION ALL
  SELECT
    test,
    planted_pct_per_10km,
    question,
    athlete_id,
    $every_metric AS metric,
    place,
    n_runs,
    answer
  FROM trials
),

by_athlete AS (
  -- The runs of an athlete are those of the metric that most of them have.
  SELECT
    test,
    planted_pct_per_10km,
    metric,
    question,
    MAX(n_runs) AS n_runs,
    COUNT(*) AS n,
    COUNT(*) FILTER (WHERE answer) AS n_yes
  FROM asked
  GROUP BY test, planted_pct_per_10km, metric, question, athlete_id
)

SELECT
  test,
  planted_pct_per_10km,
  metric,
  question,
  CAST(SUM(n_runs) AS BIGINT) AS n_runs,
  CAST(SUM(n) AS BIGINT) AS n,
  CAST(SUM(n_yes) AS BIGINT) AS n_yes,
  COUNT(*) AS n_athletes
FROM by_athlete
GROUP BY test, planted_pct_per_10km, metric, question
ORDER BY test, planted_pct_per_10km, metric, question
