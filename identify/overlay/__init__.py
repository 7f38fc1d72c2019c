"""A copy of a photo with the scale, the fitted circles and their sizes drawn on it."""
