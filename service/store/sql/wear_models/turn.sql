-- One learner of a type at a time; whoever comes second leaves it to the first. Learning may take longer than a
-- transaction is otherwise let idle.
SELECT pg_try_advisory_xact_lock(7245304, %(tool_type_id)s),
       set_config('idle_in_transaction_session_timeout', '0', true)
