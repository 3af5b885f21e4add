"""Where the work touches the ground: pits, pull strings, small digs, laydown."""
