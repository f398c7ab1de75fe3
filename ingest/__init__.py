"""Everything that writes: sources, wire, journal, store and people's records.

Importing ``ingest`` or ``ingest.store`` loads no serial, MQTT, Polars or Streamlit code.
"""
