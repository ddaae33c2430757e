"""What adjusting is made of: the presets with the checks that read them, the readings while they are turned, and the turning."""
