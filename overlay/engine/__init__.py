"""What the engine says: revs from sound, driveline, limiter and wheelspin."""
