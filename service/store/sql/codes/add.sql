INSERT INTO codes (code) SELECT unnest(%(codes)s::text[]) ON CONFLICT (code) DO NOTHING
