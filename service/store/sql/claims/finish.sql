-- Only who still holds the claim may end it; the row goes unless something new came meanwhile.
WITH mine AS (
    SELECT tool_id, dirty_from FROM tool_work WHERE claim = %(claim)s AND tool_id = ANY (%(tools)s) FOR UPDATE
), gone AS (
    DELETE FROM tool_work w USING mine WHERE w.tool_id = mine.tool_id AND mine.dirty_from IS NULL
), kept AS (
    UPDATE tool_work w
    SET claimed_from = NULL, claim = NULL, lease_until = NULL, attempts = 0, suspect = NULL
    FROM mine
    WHERE w.tool_id = mine.tool_id AND mine.dirty_from IS NOT NULL
)
SELECT count(*) FROM mine
