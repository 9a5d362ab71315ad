-- Decisions say which site they concern and what they make of an event's identity; every
-- answer that came and every question that went is kept, so that an answer is settled once
-- and an open question has an age. All of it also stands in warehouse/record.jsonl.

ALTER TABLE decisions ADD COLUMN site VARCHAR;
ALTER TABLE decisions ADD COLUMN becomes VARCHAR;
ALTER TABLE decisions ADD COLUMN copy INTEGER;

-- Append-only: one row a line of an answered workbook or page.
CREATE TABLE answers (
    seq      BIGINT  NOT NULL,
    site     VARCHAR NOT NULL,
    key      VARCHAR NOT NULL,    -- digest of what was answered to which question
    source   VARCHAR NOT NULL,    -- path in the inbox, or the page
    sha256   VARCHAR NOT NULL,    -- of the file it came in, empty for a page
    ask      VARCHAR NOT NULL,
    says     VARCHAR NOT NULL,    -- the answer in the lead's words
    note     VARCHAR NOT NULL,
    who      VARCHAR NOT NULL,
    outcome  VARCHAR NOT NULL,    -- applied, refused, conflict, already, unclear
    why      VARCHAR NOT NULL,
    answered DATE    NOT NULL     -- as_of of the run that looked at it
);

-- Append-only: one row a finding, when it was first asked about.
CREATE TABLE asked (
    seq        BIGINT  NOT NULL,
    site       VARCHAR NOT NULL,
    finding    VARCHAR NOT NULL,
    ask        VARCHAR NOT NULL,  -- id of the question it was part of
    event_id   VARCHAR NOT NULL,  -- as decisions name it
    field      VARCHAR NOT NULL,
    taxon      VARCHAR NOT NULL,
    life_stage VARCHAR NOT NULL,
    rule       VARCHAR NOT NULL,
    old        VARCHAR NOT NULL,  -- canonical text of what the sheet said
    first_asked DATE   NOT NULL
);

ALTER TABLE departures ADD COLUMN seq BIGINT;
