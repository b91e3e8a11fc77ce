"""Numbers only: arrays in, small frozen results out. No files, plots or settings; imports errors at most."""
