-- A row is: two distances of an event (a date), with the runners seen at both.
-- Reads: landings.
-- Grain: event, early_km, late_km.
-- Parameters: none.

SELECT
  early.distance_km AS early_km,
  late.distance_km AS late_km,
  early.event,
  COUNT(*) AS n_pairs,
  COUNT(*) FILTER (WHERE early.strike = 'rearfoot' AND late.strike = 'rearfoot') AS n_rearfoot_to_rearfoot,
  COUNT(*) FILTER (WHERE early.strike = 'rearfoot' AND late.strike = 'midfoot') AS n_rearfoot_to_midfoot,
  COUNT(*) FILTER (WHERE early.strike = 'rearfoot' AND late.strike = 'forefoot') AS n_rearfoot_to_forefoot,
  COUNT(*) FILTER (WHERE early.strike = 'rearfoot' AND late.strike = 'asymmetric') AS n_rearfoot_to_asymmetric,
  COUNT(*) FILTER (WHERE early.strike = 'midfoot' AND late.strike = 'rearfoot') AS n_midfoot_to_rearfoot,
  COUNT(*) FILTER (WHERE early.strike = 'midfoot' AND late.strike = 'midfoot') AS n_midfoot_to_midfoot,
  COUNT(*) FILTER (WHERE early.strike = 'midfoot' AND late.strike = 'forefoot') AS n_midfoot_to_forefoot,
  COUNT(*) FILTER (WHERE early.strike = 'midfoot' AND late.strike = 'asymmetric') AS n_midfoot_to_asymmetric,
  COUNT(*) FILTER (WHERE early.strike = 'forefoot' AND late.strike = 'rearfoot') AS n_forefoot_to_rearfoot,
  COUNT(*) FILTER (WHERE early.strike = 'forefoot' AND late.strike = 'midfoot') AS n_forefoot_to_midfoot,
  COUNT(*) FILTER (WHERE early.strike = 'forefoot' AND late.strike = 'forefoot') AS n_forefoot_to_forefoot,
  COUNT(*) FILTER (WHERE early.strike = 'forefoot' AND late.strike = 'asymmetric') AS n_forefoot_to_asymmetric,
  COUNT(*) FILTER (WHERE early.strike = 'asymmetric' AND late.strike = 'rearfoot') AS n_asymmetric_to_rearfoot,
  COUNT(*) FILTER (WHERE early.strike = 'asymmetric' AND late.strike = 'midfoot') AS n_asymmetric_to_midfoot,
  COUNT(*) FILTER (WHERE early.strike = 'asymmetric' AND late.strike = 'forefoot') AS n_asymmetric_to_forefoot,
  COUNT(*) FILTER (WHERE early.strike = 'asymmetric' AND late.strike = 'asymmetric') AS n_asymmetric_to_asymmetric,
  COUNT(*) FILTER (WHERE early.strike = 'rearfoot' AND late.strike <> 'rearfoot') AS n_rearfoot_to_other,
  COUNT(*) FILTER (WHERE early.strike <> 'rearfoot' AND late.strike = 'rearfoot') AS n_other_to_rearfoot,
  COUNT(*) FILTER (WHERE early.strike <> 'rearfoot' AND late.strike <> 'rearfoot') AS n_other_to_other
FROM landings AS early
INNER JOIN landings AS late
  ON
    early.event = late.event
    AND early.athlete_id = late.athlete_id
    AND early.runner = late.runner
    AND early.distance_km < late.distance_km
GROUP BY early.event, early.distance_km, late.distance_km
ORDER BY early.event, early.distance_km, late.distance_km
