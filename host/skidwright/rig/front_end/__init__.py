"""Between the field and the chip's pins: small calculations, each with its source and its worst case."""
