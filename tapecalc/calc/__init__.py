"""Pure physics: arrays in, arrays out."""
