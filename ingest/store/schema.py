"""The tables, as SQL.

Convention: ``NULL`` means measured but bad or not sampled at that instant; no row means not
measured. Every ``_at`` is a UTC ``TIMESTAMP`` (microseconds, no zone). Pressures are gauge.
"""

from __future__ import annotations

#: Version 1: the first schema. Migrations in ``migrations.py`` lead from any version to the newest.
VERSION_1 = """
CREATE TABLE pot (
    pot_id    SMALLINT PRIMARY KEY,
    pot       VARCHAR NOT NULL UNIQUE      -- the base name on the wire, without the slash
);
CREATE TABLE channel (
    channel_id SMALLINT PRIMARY KEY,
    pot_id     SMALLINT NOT NULL,
    channel    VARCHAR NOT NULL,
    unit       VARCHAR NOT NULL,
    known      BOOLEAN NOT NULL,           -- false: kept, and reported as unknown
    first_heard_at TIMESTAMP NOT NULL,
    UNIQUE (pot_id, channel, unit)
);
CREATE TABLE sample (                      -- fast channels, one row an instant
    pot_id     SMALLINT NOT NULL,
    sampled_at TIMESTAMP NOT NULL,
    arrived_at TIMESTAMP NOT NULL,
    seq        BIGINT,                     -- the box's message counter
    supply_pa  DOUBLE,
    inlet_pa   DOUBLE,
    pot_pa     DOUBLE,
    nozzle_pa  DOUBLE,
    deadman    BOOLEAN,
    supply_ma  DOUBLE,                     -- the same transducers as raw loop current
    inlet_ma   DOUBLE,
    pot_ma     DOUBLE,
    nozzle_ma  DOUBLE,
    quality    INTEGER NOT NULL,           -- ingest.readings.Quality
    message_id BIGINT NOT NULL             -- journal position; below zero: import_file
);
CREATE TABLE reading (                     -- slow and unknown channels
    pot_id     SMALLINT NOT NULL,
    channel_id SMALLINT NOT NULL,
    sampled_at TIMESTAMP NOT NULL,
    arrived_at TIMESTAMP NOT NULL,
    value      DOUBLE,
    text       VARCHAR,
    message_id BIGINT NOT NULL
);
CREATE TABLE quarantine (                  -- what would not become a reading, with its bytes
    quarantine_id BIGINT PRIMARY KEY,
    source     VARCHAR NOT NULL,
    topic      VARCHAR NOT NULL,
    content_type VARCHAR NOT NULL,
    arrived_at TIMESTAMP NOT NULL,
    reason     VARCHAR NOT NULL,
    detail     VARCHAR NOT NULL,
    payload    BLOB NOT NULL,
    message_id BIGINT NOT NULL,
    retried_at TIMESTAMP                   -- set when taken again after the yard file was mended
);
CREATE TABLE mark (                        -- how far the journal has been taken
    journal    VARCHAR PRIMARY KEY,
    segment    BIGINT NOT NULL,
    "offset"   BIGINT NOT NULL
);
CREATE TABLE source_count (                -- what each source brought, for ever
    source     VARCHAR NOT NULL,
    pot        VARCHAR NOT NULL,           -- empty: the message named no pot
    messages   BIGINT NOT NULL,
    readings   BIGINT NOT NULL,
    repeated   BIGINT NOT NULL,            -- readings that were in the store already
    quarantined BIGINT NOT NULL,
    last_arrived_at TIMESTAMP NOT NULL,
    PRIMARY KEY (source, pot)
);
CREATE TABLE touched (                     -- what came in since figures were last derived
    touched_id BIGINT NOT NULL,
    pot_id     SMALLINT NOT NULL,
    from_at    TIMESTAMP NOT NULL,         -- first and last instant that changed, both included
    to_at      TIMESTAMP NOT NULL
);
CREATE SEQUENCE touched_number;
CREATE SEQUENCE quarantine_number;
CREATE TABLE import_file (                 -- card files brought in
    import_id  BIGINT PRIMARY KEY,
    name       VARCHAR NOT NULL,
    sha256     VARCHAR NOT NULL,
    pot        VARCHAR NOT NULL,
    imported_at TIMESTAMP NOT NULL,
    readings   BIGINT NOT NULL,
    repeated   BIGINT NOT NULL,
    refused    BIGINT NOT NULL
);
CREATE TABLE record (                      -- what people entered; rows are only ever added
    record_id  VARCHAR PRIMARY KEY,
    kind       VARCHAR NOT NULL,
    recorded_at TIMESTAMP NOT NULL,
    recorded_by VARCHAR NOT NULL,
    via        VARCHAR NOT NULL,           -- page, command, file
    supersedes VARCHAR,                    -- the record that this one takes the place of
    withdrawn  BOOLEAN NOT NULL,           -- this row takes the older one away without a new value
    reason     VARCHAR NOT NULL,           -- why it was corrected; empty for a first entry
    body       VARCHAR NOT NULL            -- JSON, checked by ingest.records
);
CREATE TABLE derive_state (                -- what the derived tables were made with
    pot_id     SMALLINT PRIMARY KEY,
    settings   VARCHAR NOT NULL,           -- fingerprint of the yard file's part that matters
    derived_at TIMESTAMP NOT NULL,
    first_at   TIMESTAMP,                  -- first and last instant with a dead-man sample
    last_at    TIMESTAMP
);
CREATE TABLE cycle (                       -- one dead-man opening
    pot_id     SMALLINT NOT NULL,
    pressed_at TIMESTAMP NOT NULL,         -- first sample with the dead-man open
    released_at TIMESTAMP NOT NULL,        -- first sample with it shut, or the last one heard
    began_by   VARCHAR NOT NULL,           -- press; or gap: it was open when hearing began again
    ended_by   VARCHAR NOT NULL,           -- release, gap, or open: not ended yet
    flicker    BOOLEAN NOT NULL,           -- too short, and no answer from the pot: not counted
    confirmed  BOOLEAN,                    -- the pot's pressure answered; NULL: no pot channel
    samples    INTEGER NOT NULL,
    deadman_s  DOUBLE NOT NULL,            -- middle of what the sampling allows, low, high
    deadman_low_s DOUBLE NOT NULL,
    deadman_high_s DOUBLE NOT NULL,
    span_from_at TIMESTAMP NOT NULL,       -- all that the sampling allows: last shut sample before,
    span_to_at TIMESTAMP NOT NULL,         -- first shut sample after
    blast_s    DOUBLE NOT NULL,
    blast_low_s DOUBLE NOT NULL,
    blast_high_s DOUBLE NOT NULL,
    pinched_s  DOUBLE NOT NULL,            -- the wedge held the hose shut
    press_delay_s DOUBLE,                  -- dead-man to first rise of the pot
    pressurise_s DOUBLE,                   -- dead-man to 90 % of the manifold
    exhaust_s  DOUBLE,                     -- release to 10 % of the pressure held
    supply_pa  DOUBLE,                     -- medians while steady
    pot_pa     DOUBLE,
    nozzle_pa  DOUBLE,
    drop_supply_pot_pa DOUBLE,
    drop_pot_nozzle_pa DOUBLE,
    peak_pot_pa DOUBLE
);
CREATE TABLE gap (                         -- nothing heard between two samples
    pot_id     SMALLINT NOT NULL,
    from_at    TIMESTAMP NOT NULL,         -- last sample before
    to_at      TIMESTAMP NOT NULL,         -- first sample after
    deadman_before BOOLEAN NOT NULL,
    deadman_after  BOOLEAN NOT NULL
);
CREATE TABLE shift_summary (
    shift      VARCHAR NOT NULL,
    pot        VARCHAR NOT NULL,
    crew       VARCHAR NOT NULL,
    job        VARCHAR NOT NULL,
    from_at    TIMESTAMP NOT NULL,
    to_at      TIMESTAMP NOT NULL,
    elapsed_s  DOUBLE NOT NULL,
    blast_s    DOUBLE NOT NULL,
    blast_low_s DOUBLE NOT NULL,
    blast_high_s DOUBLE NOT NULL,
    deadman_s  DOUBLE NOT NULL,
    deadman_low_s DOUBLE NOT NULL,
    deadman_high_s DOUBLE NOT NULL,
    pinched_s  DOUBLE NOT NULL,
    filling_s  DOUBLE NOT NULL,            -- dead-man open, pot not pressurised yet
    idle_s     DOUBLE NOT NULL,
    no_data_s  DOUBLE NOT NULL,
    cycles     INTEGER NOT NULL,
    supply_pa  DOUBLE,                     -- blast-time weighted means of the cycles' medians
    pot_pa     DOUBLE,
    nozzle_pa  DOUBLE,
    drop_supply_pot_pa DOUBLE,
    drop_pot_nozzle_pa DOUBLE,
    area_m2    DOUBLE,                     -- entered, what was done over again not in it; or NULL
    abrasive_kg DOUBLE,                    -- bags tipped less what was taken back out
    abrasive_kg_m2 DOUBLE,
    area_m2_blast_h DOUBLE
);
CREATE TABLE part_usage (                  -- since a part was fitted, and since it was last checked
    pot        VARCHAR NOT NULL,
    part       VARCHAR NOT NULL,
    since      VARCHAR NOT NULL,           -- fitted, checked
    from_at    TIMESTAMP NOT NULL,
    to_at      TIMESTAMP NOT NULL,         -- last reading that counts
    blast_s    DOUBLE NOT NULL,
    blast_low_s DOUBLE NOT NULL,
    blast_high_s DOUBLE NOT NULL,
    cycles     INTEGER NOT NULL,
    no_data_s  DOUBLE NOT NULL             -- the gap time that high counts as blasting
);
"""

#: Version 2: derived tables of what is wrong with readings, and of what transducers read at rest.
QUALITY_OF_READINGS = """
CREATE TABLE signal_fault (                -- a minute in which readings must not count, or nearly
    pot_id     SMALLINT NOT NULL,
    channel    VARCHAR NOT NULL,
    from_at    TIMESTAMP NOT NULL,         -- begin of the minute
    readings   INTEGER NOT NULL,           -- all of that minute
    loop_bad   INTEGER NOT NULL,           -- failure currents; one reading may have several causes
    range_bad  INTEGER NOT NULL,           -- not a pressure of this channel
    rate_bad   INTEGER NOT NULL,           -- a jump away and back
    moving_bad INTEGER NOT NULL,           -- stuck while others moved
    certain_bad INTEGER NOT NULL           -- saturated: counts, with a warning
);
CREATE TABLE zero_rest (                   -- ten minutes shut, quiet and near zero; never a proof
    pot_id     SMALLINT NOT NULL,
    channel    VARCHAR NOT NULL,
    from_at    TIMESTAMP NOT NULL,
    to_at      TIMESTAMP NOT NULL,
    readings   INTEGER NOT NULL,
    offset_pa  DOUBLE NOT NULL,            -- median after calibration: what is left to take off
    spread_pa  DOUBLE NOT NULL             -- highest less lowest
);
"""

#: What weighing leaves: spells, the condition of each cycle, and tippings found.
CONDITION_OF_POTS = """
CREATE TABLE spell (                       -- a stretch of work with no long pause, weighed
    pot_id     SMALLINT NOT NULL,
    from_at    TIMESTAMP NOT NULL,         -- first press
    to_at      TIMESTAMP NOT NULL,         -- last release
    cycles     BIGINT NOT NULL,
    made_of    VARCHAR NOT NULL,           -- fingerprint of its cycles, entries and settings
    used_kg    DOUBLE,                     -- NULL: too few fills could be fitted
    used_low_kg DOUBLE,                    -- 90 % interval
    used_high_kg DOUBLE,
    questions  VARCHAR NOT NULL            -- JSON list: what the supervisor is asked
);
CREATE TABLE condition (                   -- analytics.condition.CONDITION_SCHEMA
    pot_id     SMALLINT NOT NULL,
    spell_from_at TIMESTAMP NOT NULL,
    pressed_at TIMESTAMP NOT NULL,
    abrasive_start_kg DOUBLE,
    abrasive_start_low_kg DOUBLE,
    abrasive_start_high_kg DOUBLE,
    abrasive_end_kg DOUBLE,
    abrasive_end_low_kg DOUBLE,
    abrasive_end_high_kg DOUBLE,
    used_kg    DOUBLE,
    feed_kg_s  DOUBLE,
    exposure_s DOUBLE,
    ran_empty  BOOLEAN,
    tipped_kg  DOUBLE,
    tipped_entered_kg DOUBLE,
    fit_reason VARCHAR,                    -- why a fill was not fitted
    fit_caution VARCHAR,
    misfit     DOUBLE,
    free_volume_m3 DOUBLE,
    free_volume_error DOUBLE,
    fill_m3_s_pa DOUBLE,
    leak_m3_s_pa DOUBLE,
    leak_error_m3_s_pa DOUBLE,
    leak_smoothed_m3_s_pa DOUBLE,
    exhaust_m3_s_pa DOUBLE,
    exhaust_error DOUBLE,
    exhaust_delay_s DOUBLE,
    pressurise_reference_s DOUBLE,
    press_delay_s DOUBLE,
    holds_under_pa DOUBLE,
    hose_loss_index DOUBLE,
    sag_index  DOUBLE,
    supply_pa  DOUBLE,
    lowest_supply_share DOUBLE,
    ripple_pa  DOUBLE,
    left_after_share DOUBLE,
    creep_pa   DOUBLE,
    vented_pa  DOUBLE,
    standing_still_share DOUBLE,
    missing_share DOUBLE,
    held_unpressurised_share DOUBLE,
    pressurised_unheld_share DOUBLE
);
CREATE TABLE tipping (                     -- abrasive tipped, found from the pressures
    pot_id     SMALLINT NOT NULL,
    spell_from_at TIMESTAMP NOT NULL,
    from_at    TIMESTAMP NOT NULL,
    to_at      TIMESTAMP NOT NULL,
    estimate_kg DOUBLE NOT NULL,
    error_kg   DOUBLE NOT NULL,            -- standard error
    entered_kg DOUBLE                      -- NULL: nobody entered it
);
"""

#: Corrections of boxes' clocks that people took; rows are only added, and withdrawn.
CLOCK_CORRECTIONS = """
CREATE SEQUENCE correction_number;
CREATE TABLE clock_correction (            -- applied when figures are derived; ingest.clocks
    correction_id INTEGER PRIMARY KEY,
    pot_id     SMALLINT NOT NULL,
    arrived_from_at TIMESTAMP NOT NULL,    -- arrivals it is for, half-open
    arrived_to_at TIMESTAMP NOT NULL,
    from_at    TIMESTAMP NOT NULL,         -- box time of the first and the last, as sent
    to_at      TIMESTAMP NOT NULL,
    offset_s   DOUBLE NOT NULL,            -- added at from_at
    drift      DOUBLE NOT NULL,            -- added for each second since
    kind       VARCHAR NOT NULL,           -- offset, drift, jump, restart
    reason     VARCHAR NOT NULL,
    taken_at   TIMESTAMP NOT NULL,
    taken_by   VARCHAR NOT NULL,
    withdrawn_at TIMESTAMP,
    withdrawn_by VARCHAR NOT NULL
);
"""

#: Notices: what they rest on, what they are now, and what was told of them.
NOTICES = """
CREATE TABLE pressure_watch (              -- derived; analytics.watch
    pot_id     SMALLINT NOT NULL,
    watch      VARCHAR NOT NULL,           -- over_plate, unheld; heard: what was looked at at all
    from_at    TIMESTAMP NOT NULL,         -- first sample at or over the level that clears
    over_at    TIMESTAMP,                  -- first at or over the level that raises; NULL: none
    to_at      TIMESTAMP NOT NULL,         -- last sample at or over the level that clears
    off_at     TIMESTAMP,                  -- first known under it; NULL: not within the ten minutes
    after      VARCHAR NOT NULL,           -- release, rise, unknown: what came before
    peak_pa    DOUBLE
);
CREATE TABLE trouble_span (                -- derived; analytics.trouble_spans: troubles that fitted
    pot_id     SMALLINT NOT NULL,
    trouble    VARCHAR NOT NULL,           -- analytics.diagnosis.TROUBLES; relief_lifts
    from_at    TIMESTAMP NOT NULL,
    to_at      TIMESTAMP,                  -- NULL: it still fits
    last_at    TIMESTAMP NOT NULL,         -- the last cycle that it fitted
    said       VARCHAR NOT NULL            -- what was seen, in words
);
CREATE TABLE trouble_state (               -- what trouble_span was made of
    pot_id     SMALLINT PRIMARY KEY,
    made_of    VARCHAR NOT NULL
);
CREATE TABLE notice (                      -- derived; analytics.notices.NOTICE_SCHEMA
    notice_id  VARCHAR PRIMARY KEY,        -- from pot, cause and begin: the same however derived
    pot        VARCHAR NOT NULL,
    kind       VARCHAR NOT NULL,           -- the worst seen of the cause; ingest.notice_kinds
    cause      VARCHAR NOT NULL,           -- group of kinds, and part, channel or shift within it
    began_at   TIMESTAMP NOT NULL,
    raised_at  TIMESTAMP NOT NULL,         -- began, and lasted for as long as it must
    kind_at    TIMESTAMP NOT NULL,         -- since when it is called by this kind
    last_at    TIMESTAMP NOT NULL,         -- last seen
    cleared_at TIMESTAMP,                  -- gone for as long as it must be; NULL: open
    times      INTEGER NOT NULL,           -- how often it came and went in between
    worst      DOUBLE,                     -- Pa or h, by kind
    said       VARCHAR NOT NULL,           -- what was seen, in words
    also       VARCHAR NOT NULL            -- other kinds of the same cause, with commas
);
CREATE SEQUENCE notice_event_number;
CREATE TABLE notice_event (                -- what became of notices; rows are only added
    event_id   BIGINT PRIMARY KEY,
    message_id VARCHAR NOT NULL UNIQUE,    -- stands in every message, so that a second one shows
    noticed_at TIMESTAMP NOT NULL,         -- this computer's clock
    notice_id  VARCHAR NOT NULL,
    pot        VARCHAR NOT NULL,
    kind       VARCHAR NOT NULL,
    what       VARCHAR NOT NULL,           -- raised, worse, cleared, withdrawn
    happened_at TIMESTAMP NOT NULL,        -- at the pot
    late       BOOLEAN NOT NULL,           -- found long after: from late data, or a first look
    said       VARCHAR NOT NULL
);
CREATE TABLE notice_sent (                 -- one row a message and channel, from the first try on
    message_id VARCHAR NOT NULL,           -- of an event; digest- and the site's day; of a topic
    channel    VARCHAR NOT NULL,
    sent_at    TIMESTAMP,                  -- NULL: not yet
    tries      INTEGER NOT NULL,
    next_at    TIMESTAMP NOT NULL,         -- not tried again before
    trouble    VARCHAR NOT NULL,           -- why the last try failed; empty: it did not
    PRIMARY KEY (message_id, channel)
);
"""

#: What each part did; ``analytics.parts_usage``. Sums of microseconds are exact.
LIVES_OF_PARTS = """
DROP TABLE part_usage;
CREATE TABLE part_usage (                  -- what is on now: since new, and since each good check
    pot        VARCHAR NOT NULL,
    part       VARCHAR NOT NULL,
    position   VARCHAR NOT NULL,           -- where on the pot; "1": the usual place
    part_id    VARCHAR NOT NULL,           -- the individual: kind and tag, or kind and entry
    tag        VARCHAR NOT NULL,           -- empty: none was entered
    since      VARCHAR NOT NULL,           -- fitted, heard, unknown: all its life; checked
    rule       VARCHAR NOT NULL,           -- of checked: the rule it was for; empty: all of them
    from_at    TIMESTAMP NOT NULL,
    to_at      TIMESTAMP NOT NULL,         -- when figures were derived
    blast_s    DOUBLE NOT NULL,
    blast_low_s DOUBLE NOT NULL,
    blast_high_s DOUBLE NOT NULL,
    cycles     BIGINT NOT NULL,
    cycles_low BIGINT NOT NULL,            -- began with a press heard, and the pot answered
    cycles_high BIGINT NOT NULL,           -- silence counted at the pot's own pace
    no_data_s  DOUBLE NOT NULL             -- the silence that high counts as blasting
);
CREATE TABLE part_stay (                   -- which part sat where; stays of a place leave no hole
    part       VARCHAR NOT NULL,
    part_id    VARCHAR NOT NULL,
    tag        VARCHAR NOT NULL,
    pot        VARCHAR NOT NULL,
    position   VARCHAR NOT NULL,
    basis      VARCHAR NOT NULL,           -- fitted; heard, unknown: nobody entered what was on
    from_at    TIMESTAMP NOT NULL,
    to_at      TIMESTAMP,                  -- NULL: still on
    ended_by   VARCHAR NOT NULL,           -- removed, replaced, moved; empty: still on
    because    VARCHAR NOT NULL,           -- worn, failed, good, other; empty: not told
    fitted_by  VARCHAR NOT NULL,           -- record that began it; empty: none did
    ended_by_record VARCHAR NOT NULL,
    blast_us   BIGINT NOT NULL,
    blast_low_us BIGINT NOT NULL,
    blast_high_us BIGINT NOT NULL,
    cycles     BIGINT NOT NULL,
    cycles_low BIGINT NOT NULL,
    cycles_high BIGINT NOT NULL,
    silent_us  BIGINT NOT NULL
);
CREATE TABLE part_check (                  -- each check, with all that the part had done by then
    record_id  VARCHAR NOT NULL,           -- a check, or the start of a shift
    part       VARCHAR NOT NULL,
    part_id    VARCHAR NOT NULL,
    pot        VARCHAR NOT NULL,
    position   VARCHAR NOT NULL,
    checked_at TIMESTAMP NOT NULL,
    result     VARCHAR NOT NULL,
    rule       VARCHAR NOT NULL,
    blast_us   BIGINT NOT NULL,
    blast_low_us BIGINT NOT NULL,
    blast_high_us BIGINT NOT NULL,
    cycles     BIGINT NOT NULL,
    cycles_low BIGINT NOT NULL,
    cycles_high BIGINT NOT NULL,
    silent_us  BIGINT NOT NULL
);
"""

#: Number and link of each row that people entered; ``ingest.store.record_chain``.
RECORD_CHAIN = """
ALTER TABLE record ADD COLUMN number BIGINT;  -- in the order of entry, from 1, without a hole
ALTER TABLE record ADD COLUMN link VARCHAR;   -- SHA-256 of the link before it and of the row
"""

#: Told apart in a burst: clean air's loss, the grains' own, the bull hose's, and the compressor.
LINES_OF_POTS = """
ALTER TABLE condition ADD COLUMN clean_loss_index DOUBLE;  -- manifold to nozzle while the pot fills
ALTER TABLE condition ADD COLUMN grain_loss_index DOUBLE;  -- what abrasive adds to it
ALTER TABLE condition ADD COLUMN bull_loss_index DOUBLE;   -- before the manifold, for its flow
ALTER TABLE condition ADD COLUMN receiver_pa DOUBLE;       -- manifold right after the flow stops
ALTER TABLE condition ADD COLUMN blown_unheld_share DOUBLE;  -- nozzle up though the dead-man is off
ALTER TABLE condition DROP COLUMN hose_loss_index;
ALTER TABLE condition DROP COLUMN sag_index;
"""

#: What rules by condition look at; ``analytics.rule_condition``.
BLOCKS_OF_INDICATORS = """
CREATE TABLE indicator_block (             -- derived with trouble_span: blocks of the last months
    pot_id     SMALLINT NOT NULL,
    indicator  VARCHAR NOT NULL,           -- column of condition
    scatter    BOOLEAN NOT NULL,           -- its scatter, not its level
    block_at   TIMESTAMP NOT NULL,
    since_at   TIMESTAMP NOT NULL,         -- begin of the reference
    size       DOUBLE NOT NULL,            -- change over what is worth telling
    signal     BOOLEAN NOT NULL
);
DELETE FROM trouble_state;                 -- so that they are found at the next derive
"""

#: Workers that share a broker's messages, gathered into this store; ``ingest.store.shards``.
SHARDS = """
CREATE TABLE shard (
    shard_id   SMALLINT PRIMARY KEY,       -- stands in message_id from the 48th bit on
    name       VARCHAR NOT NULL UNIQUE,
    quarantine_id BIGINT NOT NULL          -- how far the worker's quarantine was gathered
);
"""

#: Days that lie in files; ``ingest.store.archive``. Without keys: what is taken out and put back in
#: one transaction would break them.
ARCHIVE = """
CREATE TABLE archive_file (                -- days whose rows are in a file and not in the table
    table_name VARCHAR NOT NULL,           -- sample, reading
    pot_id     SMALLINT NOT NULL,
    "day"      DATE NOT NULL,              -- UTC
    place      VARCHAR NOT NULL,           -- empty: the folder archive beside this file
    path       VARCHAR NOT NULL,           -- site=.../pot=.../day=.../<table>-<digest>.parquet
    sha256     VARCHAR NOT NULL,
    size       BIGINT NOT NULL,            -- bytes
    rows       BIGINT NOT NULL,
    first_at   TIMESTAMP NOT NULL,         -- first and last instant, both included
    last_at    TIMESTAMP NOT NULL,
    layout     VARCHAR NOT NULL,           -- JSON: how its columns are to be read
    first_deadman_at TIMESTAMP,            -- first and last instant with a dead-man sample
    last_deadman_at TIMESTAMP,
    archived_at TIMESTAMP NOT NULL
);
CREATE TABLE archive_leftover (            -- files that nothing names any more, or not yet
    place      VARCHAR NOT NULL,
    path       VARCHAR NOT NULL
);
CREATE TABLE archive_gone (                -- days that were deleted by request
    table_name VARCHAR NOT NULL,
    pot_id     SMALLINT NOT NULL,
    "day"      DATE NOT NULL,
    rows       BIGINT NOT NULL,
    sha256     VARCHAR NOT NULL,
    deleted_at TIMESTAMP NOT NULL,
    deleted_by VARCHAR NOT NULL
);
"""

#: How far a pot's figures were derived anew; ``analytics.pipeline``.
PIECES_DONE = """
CREATE TABLE piece_done (                  -- emptied of a pot when all its pieces are done
    pot_id     SMALLINT NOT NULL,
    settings   VARCHAR NOT NULL,           -- as in derive_state
    from_at    TIMESTAMP,                  -- nominal bounds; NULL: from the first, to the last
    to_at      TIMESTAMP,
    taken      BIGINT NOT NULL             -- newest touched_id when the first of them was read
);
"""

#: Samples as they are kept from version 13 on; ``ingest.store.sample_rows`` has the views.
KEPT_SAMPLES = """
CREATE SEQUENCE message_number;
CREATE TABLE message (                     -- what the samples of a message have in common
    message_no BIGINT NOT NULL,            -- in the order in which they were kept
    arrived_at TIMESTAMP NOT NULL,
    message_id BIGINT NOT NULL             -- journal position; below zero: import_file
);
CREATE TABLE step (                        -- what was last kept as counts of it
    pot_id     SMALLINT NOT NULL,
    "column"   VARCHAR NOT NULL,
    "by"       DOUBLE NOT NULL             -- as in sample_kept
);
CREATE TABLE sample_kept (                 -- one row an instant
    pot_id     SMALLINT NOT NULL,
    sampled_at TIMESTAMP NOT NULL,
    message_no BIGINT NOT NULL,            -- the first that had a value of this instant
    seq_last   BIGINT NOT NULL,            -- the box's message counter, carried to rows without it
    seq_here   BOOLEAN NOT NULL,           -- the counter was sent for this instant
    supply_pa_n INTEGER,                   -- how many steps; NULL: by is the value itself
    supply_pa_by DOUBLE,                   -- over zero: the step; below zero: what n is divided by
    inlet_pa_n INTEGER,
    inlet_pa_by DOUBLE,
    pot_pa_n INTEGER,
    pot_pa_by DOUBLE,
    nozzle_pa_n FLOAT,                     -- what leaps at each press is packed best so
    nozzle_pa_by DOUBLE,
    supply_ma_n INTEGER,
    supply_ma_by DOUBLE,
    inlet_ma_n INTEGER,
    inlet_ma_by DOUBLE,
    pot_ma_n INTEGER,
    pot_ma_by DOUBLE,
    nozzle_ma_n FLOAT,
    nozzle_ma_by DOUBLE,
    deadman    BOOLEAN,
    quality    INTEGER NOT NULL            -- ingest.readings.Quality
);
"""

#: What summaries rest on, so that only what has changed is reckoned anew; ``analytics.summaries``.
SUMS_OF_DAYS = """
CREATE TABLE pot_day (                     -- what a pot did on a UTC day that is over
    pot        VARCHAR NOT NULL,
    day_at     TIMESTAMP NOT NULL,         -- midnight UTC
    blast_us   BIGINT NOT NULL,
    blast_low_us BIGINT NOT NULL,
    blast_high_us BIGINT NOT NULL,         -- without silence
    silent_us  BIGINT NOT NULL,            -- silence that counts as possible blasting
    cycles     BIGINT NOT NULL,
    cycles_low BIGINT NOT NULL             -- began with a press heard, and the pot answered
);
CREATE TABLE summary_state (               -- one row: what the summaries were made of
    made_of    VARCHAR NOT NULL,           -- all but cycles and gaps
    now_at     TIMESTAMP NOT NULL,         -- up to when they were reckoned
    next_at    TIMESTAMP                   -- when an entry comes to count by itself; NULL: none
);
"""

#: From when on spells may have to be weighed anew; ``analytics.weighing``.
SPELLS_CHANGED = """
CREATE TABLE spell_state (
    pot_id     SMALLINT PRIMARY KEY,
    made_of    VARCHAR NOT NULL,           -- of settings and entries; empty: never looked through
    from_at    TIMESTAMP NOT NULL,         -- spells that end well before are up to date
    changes    BIGINT NOT NULL             -- how often cycles were written: whoever looks sees it
);
"""

#: What people had entered when summaries were reckoned; ``analytics.summary_entries``.
ENTRIES_SUMMED = """
DELETE FROM summary_state;                 -- so that they are made wholly once
ALTER TABLE summary_state ADD COLUMN entered BIGINT;    -- rows of record
ALTER TABLE summary_state ADD COLUMN number BIGINT;     -- of the newest of them; 0: none has one
ALTER TABLE summary_state ADD COLUMN passed_by BOOLEAN; -- a part was somewhere for no time at all
"""
