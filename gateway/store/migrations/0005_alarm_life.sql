-- What an alarm goes on from after a restart: see alerts.Event.
ALTER TABLE alarms ADD COLUMN device    TEXT    NOT NULL DEFAULT '';
ALTER TABLE alarms ADD COLUMN marks     INTEGER NOT NULL DEFAULT 0;
ALTER TABLE alarms ADD COLUMN called_ns INTEGER NOT NULL DEFAULT 0;
ALTER TABLE alarms ADD COLUMN until_ns  INTEGER NOT NULL DEFAULT 0;
ALTER TABLE alarms ADD COLUMN reason    TEXT    NOT NULL DEFAULT '';

-- A device has alarms of its own.
CREATE TABLE latest_alarms_by_device (
    brake     INTEGER NOT NULL,
    device    TEXT    NOT NULL,
    condition TEXT    NOT NULL,
    alarm     INTEGER NOT NULL REFERENCES alarms (id),
    PRIMARY KEY (brake, device, condition)
) STRICT, WITHOUT ROWID;
INSERT INTO latest_alarms_by_device (brake, device, condition, alarm) SELECT brake, '', condition, alarm FROM latest_alarms;
DROP TABLE latest_alarms;
ALTER TABLE latest_alarms_by_device RENAME TO latest_alarms;
