"""Signal processing: arrays in, arrays out."""
