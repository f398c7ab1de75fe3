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

Rooms
-----
flows, blast_line, model, plant
    the physics: formulas, one compiled step function, what is bolted together.
signals, wire
    what a transducer and a box make of it, and how it is written.
faults
    what can be wrong, by name; README.md there shows each with a picture.
contractor, yard, pot_shift, wear, mishaps, weather, records
    an invented contractor's calendar, and people at work in it.
history, day_files, truth_tables, replay
    the calendar lived through and written down; read back to be sent again.
live, truth, feeds
    one pot that runs on, and the ways to send it.

To add a fault: an entry in `faults.catalogue` (a plant fault needs nothing else; one of sensor, box
or messages also its line in `faults.fault_set` or `feeds.mangle`), a view in `faults.pictures`, its
measure and direction in the tests, and the page drawn again.

Truth
-----
A cycle is one holding of the dead-man, from the handle's press to its release. Blasting is the time
in which the handle is held and the true pot stands at 0.70 of the true manifold gauge pressure or
above, until it falls below 0.50. A rise ends at 0.90 of the manifold, an exhaust at a tenth of the
pot's pressure at release. Truth is without noise and in true time, not the box's.
"""
