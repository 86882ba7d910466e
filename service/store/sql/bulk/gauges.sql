SELECT serial, gauge_id FROM gauges WHERE serial = ANY(%(names)s)
