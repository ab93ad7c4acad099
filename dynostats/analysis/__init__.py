"""Pure statistics of curves and noise: arrays and frames in, frozen results out."""
