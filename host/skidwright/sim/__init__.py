"""The virtual skid: the real firmware on a virtual board, with a model of the plant behind it."""
