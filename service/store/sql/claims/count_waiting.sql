-- How many inspections are to be computed, counted no further than asked for: by the index of each tool's time line.
SELECT count(*)
FROM (SELECT FROM tool_work w
      JOIN inspections i ON i.tool_id = w.tool_id AND i.taken_at >= least(w.dirty_from, w.claimed_from)
      LIMIT %(most)s) waiting
