"""A simulated blast pot that stands in for the sensor box, and the feeds that send it.

This package knows the wire formats and nothing of the code that reads them. It imports neither
`ingest`, `analytics` nor `dashboard`, and none of them imports it: they meet in the prose below and
in the tests, so that a mistake on one side cannot hide one on the other.

The wire
--------
Readings are SenML packs (RFC 8428) in JSON. One pack is one message and holds one second of
samples. Its first record carries the base name `<pot>/` and the base time, the instant of its first
sample; a record's name is the base name and the channel put together literally, its time the base
time plus `t`.

===========  ======  ==========================================================================
channel      unit    meaning
===========  ======  ==========================================================================
supply       Pa      gauge pressure at the manifold, after the moisture separator
inlet        Pa      gauge pressure before the separator (optional)
pot          Pa      gauge pressure in the pot
nozzle       Pa      gauge pressure at the nozzle (optional)
deadman      (none)  pressure switch on the return signal line: `vb`, true while held
air_temp     Cel     air temperature
humidity     %RH     relative humidity
steel_temp   Cel     temperature of the steel
pot_mass     kg      abrasive and pot on a load cell (optional)
seq          count   the box's message counter, one record a pack, from 0 at power-on
===========  ======  ==========================================================================

A transducer may be sent as it is read, as a loop current in `mA`: 4 mA is zero, 20 mA its span;
NAMUR NE 43 takes 3.6 mA and less, 21 mA and more for a failure.

A box with a clock sends UNIX seconds. One without sends times below 2**28, which count from the
arrival of the message: 0 is now, -1 a second ago.

MQTT
    topic `<root>/<site>/<pot>/readings`, root `gritbook` unless told otherwise, MQTT 5, QoS 1. The
    box keeps a pack until it is acknowledged and sends it again after a lost connection.
    `<root>/<site>/<pot>/presence`, retained, holds `online`, or `offline` by last will.
Serial
    one pack a line, JSON text sequence (RFC 7464): the byte 0x1E, the JSON text, a line feed.
    Between text and line feed stands, unless switched off, a space, `*` and eight upper-case hex
    digits: the CRC-32 (the one of zlib) of the JSON text's bytes.
TCP
    the same lines to whoever connects, as a serial-to-network converter does.
Modbus RTU
    input registers, one a channel from address 0: supply, inlet, pot and nozzle as the loop current
    in microamperes, dead-man 0 or 1, air temperature in tenths of a degree (signed), humidity in
    tenths of a per cent, steel temperature likewise, then the counter's low 16 bits.
Card
    CSV with a header: `time` in ISO 8601, UTC, then the channels with their unit in the name.
"""
