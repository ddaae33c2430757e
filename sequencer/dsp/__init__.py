"""Figures from samples: levels, distortion, deviation, weighting."""
