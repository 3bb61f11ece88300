"""Lines of keys: against documents whose layout is written out by hand."""

import tomllib

from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.campaign.toml_places import find_places

ODD = """\
# a comment = 1
top = 1  # [not.a.table]

[ a . "b c" ]  # odd spaces
 d = \"\"\"text
e = 5
\"\"\"
'f g' = { h = 1, i.j = [1, 2] }
k = [  # list
  1,
  { l = "]" },
  [ 2,
    3 ],
]
[[m.n]]
o = 1
[m.n.p]
q = 2
[[m.n]]
o = '''
'''
r.s = "\\"quoted # \\\\"
"""


def test_every_way_to_write_a_key_has_its_line():
    tomllib.loads(ODD)
    places = find_places(ODD)
    expected = {
        ("top",): 2,
        ("a",): 4,
        ("a", "b c"): 4,
        ("a", "b c", "d"): 5,
        ("a", "b c", "f g"): 8,
        ("a", "b c", "f g", "i", "j"): 8,
        ("a", "b c", "k", 0): 10,
        ("a", "b c", "k", 1, "l"): 11,
        ("a", "b c", "k", 2, 1): 13,
        ("m", "n", 0, "o"): 16,
        ("m", "n", 0, "p", "q"): 18,
        ("m", "n", 1): 19,
        ("m", "n", 1, "o"): 20,
        ("m", "n", 1, "r", "s"): 22,
    }
    assert {path: places.lines.get(path) for path in expected} == expected


def test_an_unknown_path_takes_the_line_of_what_holds_it():
    assert find_places(ODD).line(("m", "n", 0, "p", "nowhere")) == 17
    assert find_places(ODD).line(("nowhere",)) is None


KEYS = st.sampled_from(["a", "'b c'", '"d.e"', '"f\\u0041"', "g-1"])
VALUES = st.sampled_from(["1", "'x#'", '"]}"', "[1, [2, '3']]", "{h = 1, i = []}", '"""a\nb"""', "2027-01-01 10:00:00"])


@settings(max_examples=100)
@given(st.lists(st.tuples(KEYS, VALUES, st.sampled_from(["", " # c", "\n\n"])), unique_by=lambda t: t[0], max_size=5))
def test_each_key_stands_where_its_text_begins(pairs):
    text, expected = "", {}
    for key, value, tail in pairs:
        (name,) = tomllib.loads(f"{key} = 1")
        expected[name] = text.count("\n") + 1
        text += f"{key} = {value}{tail}\n"
    tomllib.loads(text)
    places = find_places(text)
    assert {name: places.line((name,)) for name in expected} == expected
