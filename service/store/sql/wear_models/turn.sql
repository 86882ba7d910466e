-- One learner of a type at a time; whoever comes second leaves it to the first.
SELECT pg_try_advisory_xact_lock(7245303, %(tool_type_id)s)
