-- The functions that statements use on both databases, under the names that SQLite gives them, so that each
-- statement is written once. What differs from SQLite: numbers and truth come out as the text that stands in the
-- document, so a comparison with a number needs a CAST (AS BIGINT, AS DOUBLE PRECISION), and a path is made of plain
-- names and places from 0, such as $[0] or $.decision.advice.
--
-- PostgreSQL has functions of these names for its own JSON types. These take text; for a parameter whose type is not
-- stated, text goes before JSON, so that each call finds the ones here.
--
-- They are plain SQL and not strict, because only so the planner writes them into the statement and sees through
-- them. JSON is read as it stands (json, not jsonb), which keeps every digit of a number and every character of a text.

-- The parts of a path: $.a[0].b as {a,0,b}. Worked out while planning where the path is a constant.
CREATE FUNCTION json_path_parts(path TEXT) RETURNS TEXT[]
    LANGUAGE sql IMMUTABLE PARALLEL SAFE
    RETURN string_to_array(ltrim(translate(replace(path, '[', '.'), '$]', ''), '.'), '.');

-- What stands in a document at a path: text without its quotes, a list or an object as JSON, NULL for null and for
-- what is not there.
CREATE FUNCTION json_extract(document TEXT, path TEXT) RETURNS TEXT
    LANGUAGE sql IMMUTABLE PARALLEL SAFE
    RETURN document::json #>> json_path_parts(path);

-- How long the list at a path is: 0 for what is no list, NULL for what is not there.
CREATE FUNCTION json_array_length(document TEXT, path TEXT) RETURNS BIGINT
    LANGUAGE sql IMMUTABLE PARALLEL SAFE
    RETURN CASE
        WHEN json_typeof(document::json #> json_path_parts(path)) = 'array'
            THEN json_array_length(document::json #> json_path_parts(path))::BIGINT
        WHEN json_typeof(document::json #> json_path_parts(path)) IS NOT NULL THEN 0
    END;

-- The elements of a list in its order: text without its quotes, lists and objects as JSON, null as NULL; none of NULL.
-- By way of an array, because the planner takes an array that it does not know for 10 elements, and rows of JSON for
-- 100: with so many it would rather read a whole table than look a few keys up.
CREATE FUNCTION json_each(list TEXT) RETURNS TABLE (value TEXT)
    LANGUAGE sql IMMUTABLE PARALLEL SAFE ROWS 10
BEGIN ATOMIC
    SELECT one.value FROM unnest(ARRAY(SELECT json_array_elements_text(list::json))) AS one (value);
END;
