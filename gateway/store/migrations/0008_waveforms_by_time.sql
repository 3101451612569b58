-- The oldest are looked for when their time is up or the room is.
CREATE INDEX waveforms_by_time ON waveforms (cycle_at_ns);
