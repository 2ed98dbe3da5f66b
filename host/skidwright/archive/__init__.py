"""The boards' own bytes on the host: pulled, healed, salvaged, never anything derived from them."""
