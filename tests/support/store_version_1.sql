-- SPDX-License-Identifier: GPL-3.0-or-later
--
-- A store of schema version 1 with a row of every table, as the daemon of that
-- time left it when it was killed with a power-up on (power-up 2 is open).
PRAGMA application_id=1466647666;
PRAGMA user_version=1;
PRAGMA foreign_keys=OFF;
BEGIN TRANSACTION;
CREATE TABLE module_type (  id INTEGER PRIMARY KEY AUTOINCREMENT,  name TEXT NOT NULL UNIQUE CHECK (name <> ''),  nominal_voltage_V REAL,  current_limit_A REAL,  watch_s REAL,  feeds TEXT NOT NULL DEFAULT '[]',  cautions TEXT NOT NULL DEFAULT '[]',  created_us INTEGER NOT NULL) STRICT;
INSERT INTO module_type VALUES(1,'galley-pump-controller',24.0,1.5,3.0,'["KL30"]','["The coin cell stays on the board."]',1795624836548635);
CREATE TABLE reference (  id INTEGER PRIMARY KEY AUTOINCREMENT,  module_type_id INTEGER NOT NULL REFERENCES module_type (id),  version INTEGER NOT NULL CHECK (version > 0),  revision TEXT,  set_up TEXT,  units INTEGER NOT NULL,  power_ups INTEGER NOT NULL,  range_only INTEGER NOT NULL CHECK (range_only IN (0, 1)),  text TEXT NOT NULL,  created_us INTEGER NOT NULL,  UNIQUE (module_type_id, version)) STRICT;
INSERT INTO reference VALUES(1,1,1,NULL,NULL,0,0,1,'{"format":{"name":"wakedraw reference","major":1,"minor":0},"module_type":"galley-pump-controller","revision":null,"set_up":null,"version":1,"watch_s":3,"nominal_voltage_V":null,"compared_at_V":null,"voltage_low_V":null,"voltage_high_V":null,"smallest_level_fault":0.10000000000000001,"smallest_duration_fault":2,"baseline_A":null,"baseline_high_A":null,"limited_s":0,"range_weight":0,"taught_by":{"units":0,"power_ups":0,"known_goods":[],"stated_range_A":[0.28000000000000003,0.34000000000000002]},"supply":{"profile":"","current_resolution_A":0,"current_gain":0,"current_offset_A":0,"voltage_resolution_V":0,"voltage_gain":0,"voltage_offset_V":0,"reading_interval_s":null,"refresh_s":0},"spreads":{"level_common":{"between":null,"between_df":0,"within":null,"within_df":0,"prior_between":0,"prior_within":0,"prior_df":0,"prior_assumed":true,"predictive":0,"predictive_df":0},"level_own":{"between":null,"between_df":0,"within":null,"within_df":0,"prior_between":0,"prior_within":0,"prior_df":0,"prior_assumed":true,"predictive":0,"predictive_df":0},"duration":{"between":null,"between_df":0,"within":null,"within_df":0,"prior_between":0,"prior_within":0,"prior_df":0,"prior_assumed":true,"predictive":0,"predictive_df":0}},"final":{"expected_A":0.31,"low_A":0.28000000000000003,"high_A":0.34000000000000002},"phases":[],"envelope":{"time_s":[],"low_A":[],"high_A":[]},"claims":["from a stated range: no known-good unit has taught it; it judges the settled final draw at the end of the watch and nothing before","one known-good unit would add its phases, their order and times"]}',1795624836552645);
CREATE TABLE unit (  id INTEGER PRIMARY KEY AUTOINCREMENT,  serial TEXT NOT NULL UNIQUE CHECK (serial <> ''),  module_type_id INTEGER REFERENCES module_type (id),  revision TEXT,  set_up TEXT,  created_us INTEGER NOT NULL) STRICT;
INSERT INTO unit VALUES(1,'HL-0101',1,'C','bench loom 2',1795624836556486);
INSERT INTO unit VALUES(2,'HL-0102',NULL,NULL,NULL,1795624836560417);
CREATE TABLE work_order (  id INTEGER PRIMARY KEY AUTOINCREMENT,  unit_id INTEGER NOT NULL REFERENCES unit (id),  complaint TEXT,  created_us INTEGER NOT NULL,  closed_us INTEGER) STRICT;
INSERT INTO work_order VALUES(1,1,'dead after a lightning strike',1795624836564415,NULL);
CREATE TABLE power_up (  id INTEGER PRIMARY KEY AUTOINCREMENT,  supply TEXT NOT NULL,  profile TEXT,  started_us INTEGER NOT NULL,  state TEXT NOT NULL CHECK (state IN ('open', 'complete', 'incomplete')),  module_type_id INTEGER REFERENCES module_type (id),  unit_id INTEGER REFERENCES unit (id),  work_order_id INTEGER REFERENCES work_order (id),  stage TEXT,  verdict TEXT,  reference_version INTEGER,  signature TEXT,  onset_s REAL,  readings INTEGER NOT NULL DEFAULT 0,  last_s REAL,  ended_s REAL,  ended_why TEXT) STRICT;
INSERT INTO power_up VALUES(1,'left','scpi',1769846400000000,'complete',1,1,1,'intake','{"verdict":"bad","final":true,"decided_at_s":0.29999999999999999,"onset_s":0.20000000000000001,"final_draw_A":0.31,"reasons":[{"code":"low_final","text":"settles at 0.31 A where 0.38 to 0.41 A is expected"}]}',1,'{"onset_s":0.20000000000000001,"baseline_A":0.0,"phases":[]}',0.2000000000000000111,6,0.5,0.5,'output off');
INSERT INTO power_up VALUES(2,'left','scpi',1769846500000000,'open',1,1,1,'intake',NULL,NULL,NULL,NULL,6,0.5,NULL,NULL);
CREATE TABLE piece (  id INTEGER PRIMARY KEY,  power_up_id INTEGER NOT NULL REFERENCES power_up (id),  after_watch INTEGER NOT NULL CHECK (after_watch IN (0, 1)),  whole INTEGER NOT NULL CHECK (whole IN (0, 1)),  readings INTEGER NOT NULL,  packed BLOB NOT NULL) STRICT;
INSERT INTO piece VALUES(1,1,0,1,6,X'01d0e2d48f00061a5106010000020406080a0000000030303030020000003e3e3e3e');
INSERT INTO piece VALUES(2,2,0,0,6,X'01d0e2d48f00061a5106010000020406080a0000000030303030020000003e3e3e3e');
CREATE TABLE on_bench (  supply TEXT PRIMARY KEY,  module_type_id INTEGER REFERENCES module_type (id),  unit_id INTEGER REFERENCES unit (id),  work_order_id INTEGER REFERENCES work_order (id),  stage TEXT,  changed_us INTEGER NOT NULL) STRICT;
INSERT INTO on_bench VALUES('left',1,1,1,'intake',1795624836568496);
DELETE FROM sqlite_sequence;
INSERT INTO sqlite_sequence VALUES('module_type',1);
INSERT INTO sqlite_sequence VALUES('reference',1);
INSERT INTO sqlite_sequence VALUES('unit',2);
INSERT INTO sqlite_sequence VALUES('work_order',1);
INSERT INTO sqlite_sequence VALUES('power_up',2);
CREATE INDEX unit_by_type ON unit (module_type_id);
CREATE INDEX work_order_by_unit ON work_order (unit_id);
CREATE INDEX power_up_by_type ON power_up (module_type_id);
CREATE INDEX power_up_by_unit ON power_up (unit_id);
CREATE INDEX power_up_by_work_order ON power_up (work_order_id);
CREATE INDEX power_up_by_supply ON power_up (supply);
CREATE INDEX power_up_going_on ON power_up (id) WHERE ended_s IS NULL;
CREATE INDEX piece_by_power_up ON piece (power_up_id, after_watch, id);
COMMIT;
