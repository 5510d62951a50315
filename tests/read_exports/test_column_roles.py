from pathlib import Path

import pytest
from whole_reading import THREAD, read_all, read_one, read_text

from pipeline.problems import NoTextColumn, UsageProblem
from pipeline.read_exports.column_roles import ColumnMapping, work_out_roles
from pipeline.read_exports.raw_table import Cell

WORDS = [
    "My Tern has done eighty thousand and is down two",
    "The Fell of my sister lost a little more than that",
    "No idea, I only drive it to the station and back",
    "It is charged to full on Sundays and never otherwise",
    "Fifty thousand miles and the garage says ninety-four",
    "I would buy the same car again, in another colour",
]


def roles_of(columns: str, *rows: str) -> dict[str, str]:
    names = columns.split("|")
    cells: list[list[Cell]] = [[cell.strip() or None for cell in row.split("|")] for row in rows]
    roles = work_out_roles(names, cells)
    return {role: names[place] for role, place in roles.places.items()}


@pytest.mark.parametrize(
    ("language", "header"),
    [
        ("en", "Comment|Author|Posted at|Comment ID|In reply to|Likes|Language"),
        ("de", "Kommentar|Verfasser|Datum|Beitrags-ID|Antwort auf|Gefällt mir|Sprache"),
        ("fr", "Commentaire|Auteur|Publié le|Identifiant|En réponse à|Mentions J’aime|Langue"),
        ("es", "Comentario|Usuario|Fecha|Identificador|En respuesta a|Me gusta|Idioma"),
        ("nl", "Reactie|Gebruikersnaam|Geplaatst op|Reactie-ID|Antwoord op|Vind ik leuk|Taal"),
        ("nb", "Innlegg|Brukernavn|Tidspunkt|Innlegg-ID|Svar på|Liker|Språk"),
        ("it", "Commento|Autore|Data di pubblicazione|Identificativo|In risposta a|Mi piace|Lingua"),
        ("sv", "Inlägg|Användarnamn|Publicerad|ID|Svar till|Gillar|Språk"),
        ("pt", "Comentário|Autor|Publicado em|Identificador|Em resposta a|Curtidas|Idioma"),
    ],
)
def test_names_in_many_languages(language: str, header: str) -> None:
    found = roles_of(header, *(f"{w}|u{n % 2}|2025-03-14|c{n}|{'c0' if n else ''}|{n}|en" for n, w in enumerate(WORDS)))
    assert found == dict(
        zip(("text", "author", "time", "id", "parent", "likes", "lang"), header.split("|"), strict=True)
    )


@pytest.mark.parametrize("header", ["like_count", "likeCount", "snippet.likeCount", "LIKE COUNT", "stats/like-count"])
def test_one_name_in_many_spellings(header: str) -> None:
    assert roles_of(f"body|{header}", *(f"{words}|{n}" for n, words in enumerate(WORDS)))["likes"] == header


def test_what_columns_hold_tells_where_names_do_not() -> None:
    rows = [
        f"q{n}|{'q0' if n > 1 else ''}|2025-03-1{n}T06:00:00Z|{words}|https://example.org/{n}"
        for n, words in enumerate(WORDS)
    ]
    assert roles_of("a|b|c|d|e", *rows) == {"id": "a", "parent": "b", "time": "c", "text": "d", "link": "e"}


def test_a_name_is_not_believed_where_the_column_holds_something_else() -> None:
    found = roles_of("text|time|likes|story", *(f"{n}|blue|many|{words}" for n, words in enumerate(WORDS)))
    assert found["text"] == "story"
    assert not {"time", "likes"} & found.keys()


def test_an_id_has_no_comment_in_it_and_a_count_of_comments_is_none() -> None:
    found = roles_of("comment_id|comment_count|comment", *(f"c{n}|{n}|{words}" for n, words in enumerate(WORDS)))
    assert found == {"id": "comment_id", "text": "comment"}


def test_parents_that_carry_a_kind_before_the_id(tmp_path: Path) -> None:
    rows = [
        "id,parent_id,link_id,author,body",
        "abc,t3_x,t3_x,wren,Down two percent",
        "abd,t1_abc,t3_x,moss,Same here, really",
    ]
    whole = read_text(tmp_path, "\n".join(rows))
    assert [(response.source_response_id, response.parent_id) for response in whole.responses] == [
        ("abc", "x"),
        ("abd", "abc"),
    ]


def test_names_among_other_words_are_no_source(tmp_path: Path) -> None:
    found = roles_of("#|Tell us about your habits|Network ID", *(f"r{n}|{words}|n{n}" for n, words in enumerate(WORDS)))
    assert found == {"id": "#", "text": "Tell us about your habits"}


def test_labelled_files_map_without_help(tmp_path: Path) -> None:
    lines = (
        '{"id": "u-1", "lang": "en", "author": "a", "posted_at": "2025-02-03T20:42:00Z", "thread_id": "t1",'
        ' "parent_id": null, "likes": 4, "text": "on break. tern 2020, 48k miles", "tags": ["health"],'
        ' "reports": [{"odometer_km": 77248.5}]}\n'
        '{"id": "u-2", "lang": "nb", "author": "b", "posted_at": "2025-02-04T20:42:00Z", "thread_id": "t1",'
        ' "parent_id": "u-1", "likes": 0, "text": "fint", "tags": [], "reports": []}\n'
    )
    whole = read_text(tmp_path, lines, "labelled.jsonl")
    second = whole.responses[1]
    assert (second.source_response_id, second.lang, second.author, second.parent_id) == ("u-2", "nb", "b", "u-1")
    assert (second.thread_id, second.likes, second.text) == ("t1", 0, "fint")
    assert not any(response.answers for response in whole.responses)
    assert "reports" not in whole.export.roles_line


def test_refusal_without_text() -> None:
    with pytest.raises(NoTextColumn) as refusal:
        roles_of("make|model|kwh", "Norrvik|Tern|57.5", "Norrvik|Skua|75", "Calder|Fell|60")
    assert "'make', 'model', 'kwh'" in str(refusal.value)
    assert "--columns text=" in str(refusal.value)


# --- what a person says ---


def test_columns_option_wins(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("nick,comment,private note\nwren,short one,The long one that is meant to be read\n")
    mapping = ColumnMapping.from_option('text=Private Note, author="nick"')
    whole = read_one(tmp_path / "t.csv", mapping=mapping)
    assert whole.texts == ["The long one that is meant to be read"]
    assert whole.responses[0].author == "wren"


def test_names_with_commas_and_equals() -> None:
    mapping = ColumnMapping.from_option("text=Anything else, really?,author=Name = nick")
    assert mapping.columns == {"text": "Anything else, really?", "author": "Name = nick"}


@pytest.mark.parametrize(
    ("option", "words"),
    [("words=comment", "'words'"), ("text", "does not say"), ("text=", "does not say"), ("text=a,text=b", "twice")],
)
def test_options_that_are_not_understood(option: str, words: str) -> None:
    with pytest.raises(UsageProblem) as problem:
        ColumnMapping.from_option(option)
    assert words in str(problem.value)
    assert problem.value.todo


def test_a_column_that_is_not_there(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text(THREAD)
    with pytest.raises(UsageProblem) as problem:
        read_one(tmp_path / "t.csv", mapping=ColumnMapping.from_option("text=coment"))
    assert "'coment'" in str(problem.value)
    assert "'comment'" in str(problem.value)


def test_a_mapping_file_can_be_kept_and_reused(tmp_path: Path) -> None:
    (tmp_path / "spring.csv").write_text("a;b;c\n" + "".join(f"{n};{w};wren\n" for n, w in enumerate(WORDS)))
    (tmp_path / "autumn.csv").write_text("x;y\n" + "".join(f"Calder;{w}\n" for w in WORDS))
    mapping = ColumnMapping({"author": "c"}, {"autumn*": {"text": "x"}})
    mapping.save(tmp_path / "kept.yaml")
    again = ColumnMapping.from_file(tmp_path / "kept.yaml")
    assert again == mapping
    with pytest.raises(UsageProblem):
        read_all(tmp_path / "autumn.csv", mapping=again)
    autumn = ColumnMapping({}, again.files)
    assert read_one(tmp_path / "autumn.csv", mapping=autumn).texts == ["Calder"] * 6
    spring = read_one(tmp_path / "spring.csv", mapping=again)
    assert {response.author for response in spring.responses} == {"wren"}


def test_a_mapping_for_one_file_leaves_the_others_alone(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("kommentti,nimi\nHyvin kulkee vielä,aino\n")
    (tmp_path / "b.csv").write_text(THREAD)
    mapping = ColumnMapping.from_option("text=kommentti,author=nimi")
    assert [len(whole.responses) for whole in read_all(tmp_path, mapping=mapping)] == [1, 3]
    with pytest.raises(UsageProblem):
        read_all(tmp_path, mapping=ColumnMapping.from_option("text=nowhere"))


@pytest.mark.parametrize(
    "content",
    ["", "- text", "columns: [text]", "columns: {word: a}", "strange: {text: a}", "columns: {text: [", "\xff"],
)
def test_mapping_files_that_are_none(tmp_path: Path, content: str) -> None:
    (tmp_path / "m.yaml").write_bytes(content.encode("latin-1"))
    with pytest.raises(UsageProblem) as problem:
        ColumnMapping.from_file(tmp_path / "m.yaml")
    assert "m.yaml" in str(problem.value)


def test_a_mapping_file_that_is_missing(tmp_path: Path) -> None:
    with pytest.raises(UsageProblem):
        ColumnMapping.from_file(tmp_path / "no.yaml")
