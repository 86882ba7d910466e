-- The clearances of one assessment.
SELECT f.code AS fit, c.position, c.mean, c.worst, c.smallest, c.clearance_for_leakage,
       c.worst_u AS standard_uncertainty, c.worst_dof AS degrees_of_freedom, c.expanded_uncertainty, c.coverage_factor,
       c.new, c.discard, c.consumed, c.probability_beyond, c.verdict,
       c.leak_mass_flow_kg_s, c.leak_free_air_m3_min, c.leak_share_of_delivery, c.leak_u_m3_min, c.leak_regime, c.leak_choked
FROM clearances c
JOIN codes f ON f.code_id = c.fit_id
WHERE c.taken_at = %(taken_at)s AND c.inspection_id = %(inspection_id)s AND c.version = %(version)s
ORDER BY c.ordinal
