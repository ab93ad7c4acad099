-- question: Which schema version was applied, when and by which program?
-- grain: writes one row a version
-- parameter: version integer : schema version reached
-- parameter: at timestamp : when, UTC
-- parameter: by varchar : program and version
insert into meta (schema_version, applied_at, applied_by)
values ($version, $at, $by);
