"""Everything that talks to a board: port, frames, replies, the session; and its prompt, through mpremote."""
