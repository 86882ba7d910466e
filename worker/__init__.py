"""The worker: from stored readings to stored assessments."""
