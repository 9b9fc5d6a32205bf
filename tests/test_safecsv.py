import pandas as pd
import pytest

from pipeline.tables.safecsv import csv_bytes


@pytest.mark.parametrize(
    "cell",
    ['=HYPERLINK("x","y")', "+1+cmd|' /C calc'!A0", "-2+3", "@SUM(1)", "\t=1", "\r=1", " =1"],
)
def test_formulas_are_made_harmless(tmp_path, cell):
    (tmp_path / "out.csv").write_bytes(csv_bytes(pd.DataFrame({cell: [cell], "driver": [cell]})))
    back = pd.read_csv(tmp_path / "out.csv", dtype=str)
    harmless = "'" + cell.replace("\r", " ")
    assert back.iloc[0].to_list() == [harmless, harmless]
    assert back.columns[0] == harmless


def test_numbers_stay_numbers_and_nulls_stay_empty():
    frame = pd.DataFrame({"level": ["+1", "-0,5", None, "1.3"], "estimate": [-0.25, 1, None, 2]})
    assert csv_bytes(frame) == b'level,estimate\n+1,-0.25\n"-0,5",1.0\n,\n1.3,2.0\n'
