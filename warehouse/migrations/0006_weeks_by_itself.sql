-- What happens by itself: where sheets came from, which letters went, what was done when.
-- Moments are UTC without a zone, as everywhere in the warehouse.

-- How a file came into an inbox. Append-only; `receipts` says what stands there.
CREATE TABLE arrivals (
    site    VARCHAR   NOT NULL,   -- empty: nobody's
    path    VARCHAR   NOT NULL,   -- relative to the inbox; empty where nothing was put there
    sha256  VARCHAR   NOT NULL,   -- empty likewise
    channel VARCHAR   NOT NULL CHECK (channel IN ('folder', 'url', 'mail')),
    source  VARCHAR   NOT NULL,   -- file in the folder, address without query, mail address
    ref     VARCHAR   NOT NULL,   -- message id of a mail, ETag of an address
    came    TIMESTAMP NOT NULL,
    note    VARCHAR   NOT NULL    -- why nothing was taken, in words; empty when it was
);

-- What a source held when it was last asked, so that only news is taken.
CREATE TABLE sources (
    site    VARCHAR   NOT NULL,
    source  VARCHAR   NOT NULL,
    sha256  VARCHAR   NOT NULL,
    mark    VARCHAR   NOT NULL,   -- JSON: what the source calls this state of it
    checked TIMESTAMP NOT NULL
);

-- What stood in the way in the last round; replaced by each round.
CREATE TABLE source_troubles (
    site   VARCHAR NOT NULL,      -- empty: for the coordinator
    code   VARCHAR NOT NULL,
    what   VARCHAR NOT NULL,
    remedy VARCHAR NOT NULL,
    where_ VARCHAR NOT NULL
);

-- The outbox. One line a letter, person and period; the bytes are in warehouse/letters.
CREATE TABLE letters (
    id         VARCHAR   NOT NULL,
    kind       VARCHAR   NOT NULL,
    site       VARCHAR   NOT NULL, -- empty: the coordinator's
    address    VARCHAR   NOT NULL,
    period     VARCHAR   NOT NULL,
    subject    VARCHAR   NOT NULL,
    message_id VARCHAR   NOT NULL,
    state      VARCHAR   NOT NULL
               CHECK (state IN ('queued', 'sending', 'sent', 'refused', 'bounced')),
    attempts   INTEGER   NOT NULL,
    queued     TIMESTAMP NOT NULL,
    next_try   TIMESTAMP NOT NULL,
    changed    TIMESTAMP NOT NULL,
    answer     VARCHAR   NOT NULL  -- what the server said last, or how it was settled
);

-- The ledger of what was done by itself. `ended` is NULL while it goes on, and for ever where
-- it was cut off.
CREATE TABLE activities (
    id       VARCHAR   NOT NULL,
    activity VARCHAR   NOT NULL,
    due      TIMESTAMP NOT NULL,
    started  TIMESTAMP NOT NULL,
    ended    TIMESTAMP,
    outcome  VARCHAR   NOT NULL CHECK (outcome IN ('going on', 'done', 'failed', 'cut off')),
    told     VARCHAR   NOT NULL
);

-- Serious things the coordinator has been told of, so that each is new once.
CREATE TABLE serious_told (
    key    VARCHAR NOT NULL,
    period VARCHAR NOT NULL
);
