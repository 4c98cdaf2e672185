"""Time: the receiver's lag model, the estimate, its bounds, the correction."""
