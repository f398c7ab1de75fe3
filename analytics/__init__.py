"""Everything that computes: pure functions, frames in, frames out.

Only ``analytics.frames`` reads the store and only ``analytics.pipeline`` composes and writes.
"""
