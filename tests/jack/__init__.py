"""A real audio server, a real driver and another program's processing in the path, without a sound card."""
