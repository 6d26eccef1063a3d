-- Nothing: the rules of rows that PostgreSQL has, and that its migration of this number changes, are not in a file.
SELECT 1;
