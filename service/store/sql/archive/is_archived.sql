SELECT EXISTS (SELECT FROM archived_years
               WHERE year = extract(year FROM %(moment)s::timestamptz AT TIME ZONE 'UTC') AND archived_at IS NOT NULL)
