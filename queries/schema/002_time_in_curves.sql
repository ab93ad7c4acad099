-- schema 2: the clock as a function of engine speed.
-- How fast engine speed rose at each speed is what the torque of the turning parts follows from.
-- Pulls stored before have none until they are read again (`dynostats reingest`).

alter table stored_curves add column "time" double; -- s, null for tests held step by step
