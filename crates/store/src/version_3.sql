-- What makes a store of version 3 of one of version 2: with each reading the part of its
-- uncertainty that noise makes. Never changed: what comes later is a step of its own.
--
-- NULL in what was kept before, as is the rest of what could not be measured.

ALTER TABLE reading ADD COLUMN u_noise_hz ANY CHECK (typeof(u_noise_hz) IN ('real', 'null'));
ALTER TABLE point ADD COLUMN u_noise_hz ANY CHECK (typeof(u_noise_hz) IN ('real', 'null'));
