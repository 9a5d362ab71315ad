-- What went out is in the record too, so that a database made again from it sends and tells
-- nothing twice. A letter is named by its id alone: no address stands in the record.

-- Append-only: every state that a letter took, from the moment its text was about to leave.
CREATE TABLE letter_states (
    seq    BIGINT    NOT NULL,
    letter VARCHAR   NOT NULL,    -- letters.id
    state  VARCHAR   NOT NULL,
    since  TIMESTAMP NOT NULL
);

ALTER TABLE serious_told ADD COLUMN seq BIGINT;
ALTER TABLE returns ADD COLUMN seq BIGINT;
