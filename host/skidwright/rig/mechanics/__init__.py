"""The mechanics of the skid: frame, plates, places, lines."""
