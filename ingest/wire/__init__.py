"""The wire: bytes to readings and rejects, with no input or output of its own."""
