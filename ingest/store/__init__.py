"""The store: one DuckDB file, its schema, its one writer, the journal before it, and its reads."""
