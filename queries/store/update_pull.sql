-- question: How is the current state of one pull written after a correction?
-- grain: changes one row
-- parameter: pull_no integer : number of the pull
-- parameter: engine varchar
-- parameter: dyno varchar
-- parameter: session varchar
-- parameter: setup varchar
-- parameter: order varchar
-- parameter: started varchar
-- parameter: state varchar
-- parameter: why varchar : reason for the state
-- parameter: ambient_pressure varchar
-- parameter: ambient_temperature varchar
-- parameter: relative_humidity varchar
-- parameter: notes varchar
update pulls
set
    engine = $engine,
    dyno = $dyno,
    session = $session,
    setup = $setup,
    run_order = $order::integer,
    started = $started::timestamp,
    state = $state,
    why = $why,
    ambient_pressure_kpa = $ambient_pressure::double,
    ambient_temperature_c = $ambient_temperature::double,
    ambient_humidity_pct = $relative_humidity::double,
    notes = $notes
where pulls.pull_no = $pull_no;
