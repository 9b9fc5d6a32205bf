"""The decision rules as tables: for each bound a case just inside and one just outside."""
