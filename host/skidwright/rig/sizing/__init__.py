"""Whether the plumbing works out: pressures, times, forces, particles and storage, before anything is bought."""
