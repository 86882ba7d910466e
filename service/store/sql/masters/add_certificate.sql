WITH newest AS (
    UPDATE masters SET revision = %(revision)s, updated_at = now() WHERE master_id = %(master_id)s
)
INSERT INTO master_certificates (master_id, revision, recorded_at, unit, size, expanded_uncertainty, coverage_factor,
                                 calibrated_on, due_on, expansion_per_k, material, sent)
VALUES (%(master_id)s, %(revision)s, %(recorded_at)s, %(unit)s, %(size)s, %(expanded_uncertainty)s,
        %(coverage_factor)s, %(calibrated_on)s, %(due_on)s, %(expansion_per_k)s, %(material)s, %(sent)s)
