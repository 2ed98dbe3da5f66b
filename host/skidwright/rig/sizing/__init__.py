"""Whether the plumbing works out: pressures, times, forces, particles, storage, before anything is bought."""
