INSERT INTO wear_learning (tool_type_id, looked_at, finished_at, seconds, revision, digest)
VALUES (%(tool_type_id)s, %(looked_at)s, clock_timestamp(), %(seconds)s, %(revision)s, %(digest)s)
ON CONFLICT (tool_type_id) DO UPDATE
SET (looked_at, finished_at, seconds, revision, digest)
  = (excluded.looked_at, excluded.finished_at, excluded.seconds, excluded.revision, excluded.digest)
