"""A log as bytes and arrays: blocks, chain, decoding, what is damaged or lost, when each record was made."""
