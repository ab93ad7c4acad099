-- question: How is removed what files said of themselves, before they are read again?
-- grain: removes every row of these pulls that came from the file
-- parameter: pull_nos integer[] : numbers of the pulls
delete from attributes
where attributes.pull_no in (select unnest($pull_nos::integer[]))
    and attributes.origin = 'file';
