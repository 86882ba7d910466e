-- Inspections in force and what they say besides their readings. Tied are those that something else rests on or that rest
-- on something else: a fitting, a part turned, a first measurement or a second one.
SELECT i.inspection_id, i.tool_id, i.taken_at, i.inspection_version, v.checks, v.setups,
       (SELECT max(s.source) FROM inspection_sources s WHERE s.inspection_id = i.inspection_id) AS last_source,
       v.renewals <> '[]' OR v.reversals <> '[]' OR v.remeasures IS NOT NULL
       OR EXISTS (SELECT FROM inspection_versions o JOIN inspections j USING (inspection_id, inspection_version)
                  WHERE o.remeasures = i.inspection_id AND j.state <> 'withdrawn') AS is_tied
FROM inspections i
JOIN inspection_versions v USING (inspection_id, inspection_version)
WHERE i.inspection_id = ANY(%(inspection_ids)s) AND i.state <> 'withdrawn'
