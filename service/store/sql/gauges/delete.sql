DELETE FROM gauges WHERE gauge_id = %(gauge_id)s
