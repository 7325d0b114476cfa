-- What makes a store of version 2 of one of version 1: the chain of each run. Never
-- changed: what comes later is a step of its own.
--
-- `chain` has a digest for each entry of a run, of all kinds together, and the header as
-- entry -1; what goes into them is said in chain.rs. A recording that was kept is an entry,
-- too. `sealed` counts the entries that a run held when its store was brought up from
-- version 1, which the chain takes as they were then; NULL where there were none. `said` is
-- the digest of a person's words, `salt` what it was made with, NULL when they were erased.

ALTER TABLE run ADD COLUMN sealed INTEGER;
ALTER TABLE unit ADD COLUMN salt BLOB;
ALTER TABLE unit ADD COLUMN said BLOB;
ALTER TABLE event ADD COLUMN salt BLOB;
ALTER TABLE event ADD COLUMN said BLOB;
ALTER TABLE evidence ADD COLUMN entry INTEGER;

CREATE TABLE chain (
    run INTEGER NOT NULL REFERENCES run (run),
    entry INTEGER NOT NULL,
    digest BLOB NOT NULL CHECK (length(digest) = 32),
    PRIMARY KEY (run, entry)
) STRICT, WITHOUT ROWID;

-- What others ask of a run is no entry, but remarks come into its log from here. Of what
-- is open the digest; NULL once it is taken.
ALTER TABLE request ADD COLUMN digest BLOB;
