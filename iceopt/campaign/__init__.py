"""Raw campaign tables in: read, validate, find faults. Knows nothing of the physics of light."""
