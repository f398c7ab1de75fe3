"""Sources: open a line, hand over raw messages, acknowledge what is kept. Nothing else."""
