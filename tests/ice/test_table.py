"""Layer tables: what they say, and one sentence for what they get wrong."""

import numpy as np
import pytest

from iceopt.errors import InputError
from iceopt.ice.table import read_layer_table

HEADER = "wavelength_nm,depth_top_m,depth_bottom_m,scattering_length_m,absorption_length_m"


def write(folder, *rows, header=HEADER):
    path = folder / "layers.csv"
    path.write_text("\n".join(["# medians", header, *rows]) + "\n")
    return path


def test_comments_and_further_columns_are_passed_over(tmp_path):
    path = write(
        tmp_path,
        "405,1500,1510,20,100,18",
        "405,1510,1530.5,6.5,40,6",
        header=HEADER + ",scattering_length_m_p16",
    )
    ice = read_layer_table(path)
    np.testing.assert_array_equal(ice.edges_m, [1500, 1510, 1530.5])
    np.testing.assert_array_equal(ice.scattering_length_m, [20, 6.5])
    np.testing.assert_array_equal(ice.absorption_length_m, [100, 40])


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([], "holds no layers"),
        (["405,1500,1510,abc,100"], "row 3, column scattering_length_m: found 'abc'"),
        (["405,1500,1510,20"], "row 3, column absorption_length_m: found ''"),
        (["405,1500,1510,20,inf"], "row 3, column absorption_length_m: found 'inf'"),
        (["405,1500,1510,20,100", "405,1512,1520,20,100"], "row 4, column depth_top_m: found 1512"),
        (["405,1510,1500,20,100"], "edges must increase"),
        (["405,1500,1510,-20,100"], "lengths must be positive"),
    ],
)
def test_what_is_wrong_is_said_in_one_sentence(tmp_path, rows, said):
    with pytest.raises(InputError) as error:
        read_layer_table(write(tmp_path, *rows))
    assert said in str(error.value)
    assert str(error.value).startswith(str(tmp_path / "layers.csv"))


def test_a_missing_column_is_named(tmp_path):
    with pytest.raises(InputError, match="column absorption_length_m is missing"):
        read_layer_table(write(tmp_path, "1,2,3", header="depth_top_m,depth_bottom_m,scattering_length_m"))


def test_no_file(tmp_path):
    with pytest.raises(InputError, match="cannot be read as a layer table"):
        read_layer_table(tmp_path / "none.csv")
