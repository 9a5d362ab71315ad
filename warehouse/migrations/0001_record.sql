-- The record: what was received, what was decided, what was done. Tables whose columns
-- follow the data dictionary (staged_*, findings, clean_*) are laid out by
-- warehouse/tables.py, so that a new field needs no migration.
--
-- No table has a primary key: most are replaced a site at a time, and an index would be
-- paid for on every load without being asked anything.

CREATE TABLE files (
    sha256    VARCHAR NOT NULL,
    format    VARCHAR,            -- NULL until the file has been read
    size      BIGINT  NOT NULL,
    first_seq BIGINT  NOT NULL
);

-- One row per change of what stands at a path of the inbox.
CREATE TABLE receipts (
    seq      BIGINT  NOT NULL,
    site     VARCHAR NOT NULL,
    path     VARCHAR NOT NULL,    -- relative to the inbox, with forward slashes
    sha256   VARCHAR NOT NULL,
    received DATE    NOT NULL     -- as_of of the run that saw it first
);

CREATE TABLE file_troubles (
    sha256     VARCHAR NOT NULL,
    site       VARCHAR NOT NULL,
    code       VARCHAR NOT NULL,
    what       VARCHAR NOT NULL,
    remedy     VARCHAR NOT NULL,
    where_     VARCHAR NOT NULL,
    reader_key VARCHAR NOT NULL
);

-- Which files have been read, and by what: another key means reading again from the kept bytes.
CREATE TABLE readings (
    site       VARCHAR NOT NULL,
    sha256     VARCHAR NOT NULL,
    reader_key VARCHAR NOT NULL,
    events     BIGINT  NOT NULL,
    rows       BIGINT  NOT NULL
);

CREATE TABLE raw_rows (
    sha256    VARCHAR   NOT NULL,
    sheet     VARCHAR   NOT NULL,
    hidden    BOOLEAN   NOT NULL, -- whether the sheet is hidden
    sheet_row INTEGER   NOT NULL, -- 1-based
    cells     VARCHAR[] NOT NULL,
    kinds     VARCHAR   NOT NULL  -- a letter a cell: t text, n number, d date, m time,
);                                -- u duration, b yes/no, - empty

CREATE TABLE tables_seen (
    site       VARCHAR NOT NULL,
    sha256     VARCHAR NOT NULL,
    sheet      VARCHAR NOT NULL,
    protocol   VARCHAR,
    header_row INTEGER,           -- 1-based
    layout     VARCHAR,
    contract   VARCHAR NOT NULL   -- JSON: what was recognised, as `check --json` prints it
);

-- Append-only.
CREATE TABLE decisions (
    seq          BIGINT  NOT NULL,
    id           VARCHAR NOT NULL,
    event_id     VARCHAR NOT NULL,
    taxon        VARCHAR,
    life_stage   VARCHAR,
    field        VARCHAR,
    action       VARCHAR NOT NULL
                 CHECK (action IN ('correct', 'confirm', 'withdraw', 'hold', 'release')),
    old          VARCHAR,
    new          VARCHAR,
    reason       VARCHAR NOT NULL,
    who          VARCHAR NOT NULL,
    channel      VARCHAR NOT NULL,
    decided      DATE    NOT NULL,
    rule         VARCHAR,
    rule_version VARCHAR
);

-- Events that left a site's sheets while they were held: asked about already, never loaded,
-- so not asked about again. Append-only, because no later state shows it any more.
CREATE TABLE departures (
    site        VARCHAR NOT NULL,
    event_id    VARCHAR NOT NULL,
    file_sha256 VARCHAR NOT NULL, -- the latest file that had it
    why         VARCHAR NOT NULL,
    noted       DATE    NOT NULL
);

-- Every row between headings and end of every table that speaks for the site, once.
CREATE TABLE row_account (
    site        VARCHAR NOT NULL,
    file        VARCHAR NOT NULL,
    file_sha256 VARCHAR NOT NULL,
    sheet       VARCHAR NOT NULL,
    sheet_row   INTEGER NOT NULL,
    disposition VARCHAR NOT NULL CHECK (disposition IN ('loaded', 'held', 'skipped')),
    why         VARCHAR,
    event_id    VARCHAR,
    vanished    BOOLEAN NOT NULL  -- carried from a superseded file
);

CREATE TABLE site_state (
    site           VARCHAR NOT NULL,
    work_digest    VARCHAR NOT NULL,
    content_digest VARCHAR NOT NULL,
    rows           BIGINT  NOT NULL, -- clean + masked + queried + held
    clean          BIGINT  NOT NULL,
    masked         BIGINT  NOT NULL,
    queried        BIGINT  NOT NULL,
    held           BIGINT  NOT NULL,
    skipped        BIGINT  NOT NULL,
    events         BIGINT  NOT NULL,
    counts         BIGINT  NOT NULL,
    vanished       BIGINT  NOT NULL,
    last_received  DATE,
    loaded         DATE    NOT NULL  -- as_of of the run that loaded it
);

CREATE TABLE returns (
    site   VARCHAR NOT NULL,
    digest VARCHAR NOT NULL,
    as_of  DATE    NOT NULL,
    path   VARCHAR NOT NULL
);

CREATE TABLE runs (
    seq     BIGINT  NOT NULL,
    id      VARCHAR NOT NULL,
    as_of   DATE    NOT NULL,
    stages  VARCHAR NOT NULL,     -- JSON: stage -> seconds
    outcome VARCHAR NOT NULL,
    release VARCHAR
);
