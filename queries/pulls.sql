-- question: Which pulls are stored, and in what state?
-- grain: one row a pull
-- key: pull
-- parameter: engine varchar = null : engine label; null for every engine
-- parameter: dyno varchar = null : dyno label
-- parameter: session varchar = null : session label
-- parameter: setup varchar = null : setup label
-- parameter: as_of timestamp = null : the state at that past time (UTC); null for now
-- column: pull varchar
-- column: file varchar
-- column: sha256 varchar
-- column: part integer : number of the pull within its file
-- column: engine varchar
-- column: dyno varchar
-- column: session varchar
-- column: setup varchar
-- column: order integer : place in the session
-- column: started timestamp : local time of the shop
-- column: state varchar : accepted or excluded
-- column: why varchar : reason for the state
-- column: rpm_low double [rpm]
-- column: rpm_high double [rpm]
-- column: ambient_pressure_kpa double [kPa]
-- column: ambient_temperature_c double [degC]
-- column: ambient_humidity_pct double [%]
-- column: notes varchar
-- column: stored_at timestamp : UTC
with undone as (
    -- what stood in each field before the first correction made after that time
    select
        amendments.pull_no,
        amendments.field,
        arg_min(struct_pack(old := amendments.old_value), amendments.amendment_no).old
            as old_value,
    from amendments
    where amendments.amended_at > $as_of
        and amendments.pull_no is not null
    group by amendments.pull_no, amendments.field
),

before as (
    select
        undone.pull_no,
        map_from_entries(list(struct_pack(field := undone.field, old := undone.old_value)))
            as fields,
    from undone
    group by undone.pull_no
),

reasons as (
    select
        amendments.pull_no,
        arg_max(struct_pack(why := amendments.why), amendments.amendment_no).why as why,
    from amendments
    where amendments.field = 'state'
        and amendments.amended_at <= $as_of
    group by amendments.pull_no
),

then_stored as (
    select
        pulls.* replace (
            case when map_contains(before.fields, 'engine')
                then before.fields['engine'] else pulls.engine end as engine,
            case when map_contains(before.fields, 'dyno')
                then before.fields['dyno'] else pulls.dyno end as dyno,
            case when map_contains(before.fields, 'session')
                then before.fields['session'] else pulls.session end as session,
            case when map_contains(before.fields, 'setup')
                then before.fields['setup'] else pulls.setup end as setup,
            case when map_contains(before.fields, 'order')
                then before.fields['order']::integer else pulls.run_order end as run_order,
            case when map_contains(before.fields, 'started')
                then before.fields['started']::timestamp else pulls.started end as started,
            case when map_contains(before.fields, 'state')
                then before.fields['state'] else pulls.state end as state,
            case when map_contains(before.fields, 'state')
                then reasons.why else pulls.why end as why,
            case when map_contains(before.fields, 'ambient_pressure')
                then before.fields['ambient_pressure']::double
                else pulls.ambient_pressure_kpa end as ambient_pressure_kpa,
            case when map_contains(before.fields, 'ambient_temperature')
                then before.fields['ambient_temperature']::double
                else pulls.ambient_temperature_c end as ambient_temperature_c,
            case when map_contains(before.fields, 'relative_humidity')
                then before.fields['relative_humidity']::double
                else pulls.ambient_humidity_pct end as ambient_humidity_pct,
            case when map_contains(before.fields, 'notes')
                then before.fields['notes'] else pulls.notes end as notes
        ),
    from pulls
    left join before on before.pull_no = pulls.pull_no
    left join reasons on reasons.pull_no = pulls.pull_no
    where $as_of is null
        or pulls.stored_at <= $as_of
)

select
    then_stored.pull,
    then_stored.file,
    then_stored.sha256,
    then_stored.part,
    then_stored.engine,
    then_stored.dyno,
    then_stored.session,
    then_stored.setup,
    then_stored.run_order as "order",
    then_stored.started,
    then_stored.state,
    then_stored.why,
    then_stored.rpm_low,
    then_stored.rpm_high,
    then_stored.ambient_pressure_kpa,
    then_stored.ambient_temperature_c,
    then_stored.ambient_humidity_pct,
    then_stored.notes,
    then_stored.stored_at,
from then_stored
where ($engine is null or then_stored.engine = $engine)
    and ($dyno is null or then_stored.dyno = $dyno)
    and ($session is null or then_stored.session = $session)
    and ($setup is null or then_stored.setup = $setup)
order by then_stored.pull_no;
