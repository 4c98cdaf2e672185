"""What to try next: a model of the vehicle from its own runs, and what a change would bring."""
