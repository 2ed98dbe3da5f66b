"""Between the field and the chip's pins: small calculations, each with its formula's source and its worst case."""
