-- How many inspections of a year are still to be computed.
SELECT (SELECT count(*) FROM inspections i
        WHERE i.taken_at >= %(since)s AND i.taken_at < %(until)s AND i.state = 'accepted')
     + (SELECT count(*) FROM tool_work w JOIN inspections i USING (tool_id)
        WHERE i.taken_at >= greatest(%(since)s, least(w.dirty_from, w.claimed_from)) AND i.taken_at < %(until)s)
