"""What the picture says about motion: flow, forward motion, onset."""
