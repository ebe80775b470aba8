"""Tables as CSV and Parquet: what was written is what is read, and nothing runs in a spreadsheet."""

import csv

import pandas as pd
import pytest
from duskgate import fields, tables
from duskgate.errors import UsageError

from tests.host.sample_night import sample_night


@pytest.mark.parametrize("form", tables.FORMATS)
def test_every_table_comes_back_with_its_columns_order_and_types(form, tmp_path):
    night = sample_night(40)
    paths = tables.write_tables(night.tables, tmp_path / "out", form)
    assert [p.name for p in paths] == [f"{name}.{form}" for name in fields.TABLES]
    for path in paths:
        back = tables.read_table(path)
        assert list(back.columns) == list(fields.TABLES[path.stem])
        expected = night.tables[path.stem]
        for column in back.columns:
            if fields.TABLES[path.stem][column] in ("category", "object"):
                assert list(back[column].astype(str)) == list(expected[column].astype(str)), column
            else:
                pd.testing.assert_series_equal(back[column], expected[column], check_exact=True)


@pytest.mark.parametrize("text", ["=1+1", "+33 5", "-2", "@x", "\tx", "'quoted", "''=1", "plain", 'a,b\n"c"', ""])
def test_text_that_a_spreadsheet_would_run_is_neutral_in_csv_and_unchanged_after_reading(text, tmp_path):
    night = sample_night(3)
    night.tables["notes"]["text"] = text
    tables.write_tables({"notes": night.tables["notes"]}, tmp_path)
    raw = (tmp_path / "notes.csv").read_text(encoding="utf-8").splitlines()[1]
    cell = raw.split(",", 3)[3].strip('"')
    assert not cell.startswith(("=", "+", "-", "@", "\t"))
    assert tables.read_table(tmp_path / "notes.csv")["text"].iloc[0] == text


def test_a_carriage_return_ends_no_row(tmp_path):
    text = ["a\r=1+1", "b\r\n@x", "\r=2", "c,\"d\"\n-1"]
    notes = pd.DataFrame({"utc_us": [1, 2, 3, 4], "what": "text", "head": 0, "text": text})
    (path,) = tables.write_tables({"notes": notes}, tmp_path)
    assert tables.read_table(path)["text"].tolist() == text
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    assert [row[3] for row in rows[1:]] == [str(tables.neutral(t)) for t in text]


def test_nothing_is_overwritten_unasked_and_nothing_half_made_stays(tmp_path):
    night = sample_night(3)
    (tmp_path / "visits.csv").write_text("mine")
    with pytest.raises(UsageError, match=r"visits\.csv: exists already.*--force"):
        tables.write_tables(night.tables, tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["visits.csv"] and (tmp_path / "visits.csv").read_text() == "mine"
    tables.write_tables(night.tables, tmp_path, force=True)
    assert (tmp_path / "visits.csv").read_text().startswith("visit_id,")
    assert not list(tmp_path.glob(".*"))


def test_a_folder_in_whose_place_a_file_stands_is_an_error_of_one_line(tmp_path):
    (tmp_path / "out").write_text("")
    with pytest.raises(UsageError, match="name another folder"):
        tables.write_tables(sample_night(1).tables, tmp_path / "out")


def test_an_unknown_form_is_refused(tmp_path):
    with pytest.raises(UsageError, match="csv or parquet"):
        tables.write_tables(sample_night(1).tables, tmp_path, "xls")
