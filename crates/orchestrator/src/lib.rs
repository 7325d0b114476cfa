//! The session that plays, listens, measures and commits; schedule, faults, resume.
