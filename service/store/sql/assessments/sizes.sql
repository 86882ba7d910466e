-- The sizes of one assessment; the uncertainty and the wear state are those of the statistic that is judged.
SELECT f.code AS feature, c.serial AS component, s.position, s.readings, s.mean, s.min, s.max, s.worst, s.worst_station,
       s.out_of_round, s.taper, s.taper_u AS taper_standard_uncertainty, s.round_station, s.ovality, s.ovality_axis,
       s.ovality_u, s.two_point, s.two_point_bound, s.selection_bias, s.track_first, s.track_last, s.track_peak, s.track_wear,
       CASE s.discard_on WHEN 0 THEN s.worst_u ELSE s.mean_u END AS standard_uncertainty,
       CASE s.discard_on WHEN 0 THEN s.worst_dof ELSE s.mean_dof END AS degrees_of_freedom,
       s.expanded_uncertainty, s.coverage_factor, s.discard,
       CASE s.discard_on WHEN 0 THEN 'worst' ELSE 'mean' END AS discard_on,
       s.probability_beyond, s.verdict, s.usage,
       CASE s.discard_on WHEN 0 THEN s.worst_level ELSE s.mean_level END AS level,
       CASE s.discard_on WHEN 0 THEN s.worst_rate ELSE s.mean_rate END AS rate,
       CASE s.discard_on WHEN 0 THEN s.worst_level_var ELSE s.mean_level_var END AS level_variance,
       CASE s.discard_on WHEN 0 THEN s.worst_cov ELSE s.mean_cov END AS covariance,
       CASE s.discard_on WHEN 0 THEN s.worst_rate_var ELSE s.mean_rate_var END AS rate_variance
FROM sizes s
JOIN codes f ON f.code_id = s.feature_id
LEFT JOIN components c USING (component_id)
WHERE s.taken_at = %(taken_at)s AND s.inspection_id = %(inspection_id)s AND s.version = %(version)s
ORDER BY s.ordinal
