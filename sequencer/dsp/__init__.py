"""Work out figures from samples: levels, distortion, deviation, weighting; import nothing of the project."""
