"""Physics of light and smoke: arrays in, arrays out."""
