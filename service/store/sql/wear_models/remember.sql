INSERT INTO wear_learning (tool_type_id, looked_at, finished_at, seconds, revision, digest, sizes)
VALUES (%(tool_type_id)s, %(looked_at)s, clock_timestamp(), %(seconds)s, %(revision)s, %(digest)s, %(sizes)s)
ON CONFLICT (tool_type_id) DO UPDATE
SET (looked_at, finished_at, seconds, revision, digest, sizes)
  = (excluded.looked_at, excluded.finished_at, excluded.seconds, excluded.revision, excluded.digest, excluded.sizes)
