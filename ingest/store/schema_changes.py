"""Tables of what deriving goes by, rather than of what it finds: goes on from ``schema``."""

#: From when on notices may be others than they are; ``analytics.notice_since``.
NOTICES_CHANGED = """
CREATE TABLE notice_state (                -- one row: what notices were last derived from
    made_of    VARCHAR NOT NULL,           -- all but what is derived or entered as time goes on
    now_at     TIMESTAMP NOT NULL,         -- up to when
    entered    BIGINT NOT NULL,            -- rows of record, and the number of the newest that
    number     BIGINT NOT NULL             -- counted in summaries too
);
CREATE TABLE notice_changed (              -- what was derived of a pot since
    pot_id     SMALLINT PRIMARY KEY,
    from_at    TIMESTAMP NOT NULL,         -- from when on it is another than before
    changes    BIGINT NOT NULL             -- how often it was written: whoever looks sees it
);
CREATE TABLE rule_crossing (               -- when limits of counts that still run had passed
    pot        VARCHAR NOT NULL,
    from_at    TIMESTAMP NOT NULL,         -- where the count begins
    hours      DOUBLE NOT NULL,            -- what was left to the limits then; infinite: none [h]
    cycles     DOUBLE NOT NULL,
    passed_at  TIMESTAMP NOT NULL
);
"""

#: How charts and spans of trouble stood at pauses, to go on from; ``analytics.trouble_history``.
CHARTS_LEFT = """
CREATE TABLE chart_left (
    pot_id     SMALLINT NOT NULL,
    to_at      TIMESTAMP NOT NULL,         -- the last cycle before the pause
    spells     BIGINT NOT NULL,            -- weighed spells up to there, and what they are made of
    digest     VARCHAR NOT NULL,
    fitted     VARCHAR NOT NULL,           -- parts fitted up to there, and how spans are found
    state      VARCHAR NOT NULL            -- JSON
);
"""
