"""The wire: what a sensor box says, and how its bytes become readings.

A message is a SenML pack (RFC 8428) in JSON::

    [{"bn": "pot-1/", "bt": 1760000000.0, "bu": "Pa", "n": "supply", "v": 700000},
     {"n": "pot", "v": 650000},
     {"n": "deadman", "vb": true},
     {"n": "seq", "u": "count", "v": 4711},
     {"n": "pot", "t": 0.1, "v": 650400}]

- A name is base name and name, concatenated as they stand; it must read ``<pot>/<channel>``, the
  pot being all before the last slash.
- Pressures are gauge, in ``Pa`` (``hPa`` is taken), or the raw loop current in ``mA``.
- The dead-man is ``vb``; ``v`` of 0 or 1 is taken. A boolean has no unit, whatever ``bu`` says.
- A time below 2**28 s is relative to the arrival of the message, as the RFC says.
- Over MQTT the topic is ``<root>/<site>/<pot>/readings``; on a serial line each pack is one line,
  framed as ``ingest.wire.framing`` says.

Everything here turns bytes into readings and rejects: no clock, no file, no network, and it may be
started anew at any byte.
"""
