"""What changed from one result to another: pure functions of draws, and the verdict that they add up to."""
