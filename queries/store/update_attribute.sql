-- question: How is an attribute of a pull corrected?
-- grain: changes one row, none when the pull has no such attribute
-- parameter: pull_no integer : number of the pull
-- parameter: name varchar : name of the attribute
-- parameter: value varchar : its new value
update attributes
set value = $value
where attributes.pull_no = $pull_no
    and attributes.origin = 'sheet'
    and attributes.name = $name;
