"""Tells what a line of a pasted page is: somebody's words, an author, a date, or a button.

Pages say the same few things in many languages; the words are below, one language a line.  A line is boilerplate only
where nothing but such words is on it ("Reply", "12 likes", "Show more replies"), so a sentence that holds one of them
stays.
"""

from __future__ import annotations

import re
from typing import NamedTuple


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


_MONTH = (
    r"(?:jan(?:uary|uar|vier)?|feb(?:ruary|ruar)?"
    r"|f[ée]vr?(?:ier)?|mar(?:ch|s|zo|ço)?|m[äa]rz|mrt|maart|apr(?:il|ile)?|avr(?:il)?"
    r"|abr(?:il)?|may|mai|maj|mayo|maggio|mei|june?|juni|juin|junio|giu(?:gno)?|jul[iy]?|juil(?:let)?|julio|lug(?:lio)?"
    r"|aug(?:ust|ustus)?|ao[uû]t|ago(?:sto)?|sep(?:t(?:ember|embre)?)?|set(?:tembre)?"
    r"|okt(?:ober)?|oct(?:ober|obre|ubre)?"
    r"|ott(?:obre)?|nov(?:ember|embre|iembre)?|de[czs](?:ember|embre|iembre)?|d[ée]c(?:embre)?"
    r"|dic(?:iembre|embre)?|ene(?:ro)?"
    r"|genn?(?:aio)?)\.?"
)
_CLOCK = r"\d{1,2}[:.h]\d{2}(?::\d{2})?(?:\s*[ap]\.?m\.?)?(?:\s*(?:uhr|utc|gmt|cet|cest))?"
_DAY = (
    r"(?:(?:mon|tues?|wed(?:nes)?|thu(?:rs)?|fri|sat(?:ur)?|sun)(?:day)?,?\s+)?"
    rf"(?:\d{{4}}[-/.]\d{{1,2}}[-/.]\d{{1,2}}|\d{{1,2}}[-/.]\d{{1,2}}[-/.](?:\d{{4}}|\d{{2}})"
    rf"|\d{{1,2}}(?:st|nd|rd|th|\.)?\s+(?:de\s+)?{_MONTH},?(?:\s+(?:de\s+)?\d{{4}})?"
    rf"|{_MONTH}\s+\d{{1,2}}(?:st|nd|rd|th)?,?(?:\s+\d{{4}})?)"
)
_UNIT = (
    r"(?:s|sec|secs|min|mins|m|h|hr|hrs|d|w|wk|wks|mo|mos|y|yr|yrs|j|std|mon"
    r"|seconds?|minutes?|hours?|days?|weeks?|months?|years?"
    r"|sekunden?|minuten?|stunden?|tag(?:en?)?|wochen?|monat(?:en?)?|jahr(?:en?)?|heures?|jours?"
    r"|semaines?|mois|ans?|horas?|d[íi]as?"
    r"|semanas?|mes(?:es)?|a[ñn]os?|anos?|ore|ora|giorn[oi]|settiman[ae]|mes[ei]|ann[oi]|uur"
    r"|dag(?:en)?|week|weken|maand(?:en)?|jaar"
    r"|timm(?:e|ar)|timer?|uker?|veck(?:a|or)|m[åa]nad(?:er)?|m[åa]ned(?:er)?|[åa]r)"
)
_COUNT = r"(?:\d{1,3}|an?|one|eine?[mrn]?|une?|un[ao]?|ett?|een)"
_AGO = (
    rf"(?:{_COUNT}\s*{_UNIT}\s+(?:ago|geleden|sedan|siden|fa|atr[áa]s)|vor\s+{_COUNT}\s+{_UNIT}"
    rf"|il\s+y\s+a\s+{_COUNT}\s+{_UNIT}"
    rf"|hace\s+{_COUNT}\s+{_UNIT}|h[áa]\s+{_COUNT}\s+{_UNIT}|f[öo]r\s+{_COUNT}\s+{_UNIT}\s+sedan"
    rf"|just now|yesterday|today|gestern"
    r"|heute|hier|ayer|ieri|ig[åa]r)"
)
_SHORT_AGO = r"\d{1,3}\s?(?:s|min|m|h|hr|d|w|wk|mo|y|yr|j|sem|std|wo|jr)"
_EDITED = r"(?:\s*[(\[]?(?:edited|bearbeitet|modifi[ée]|editado|modificato|redigerad|redigert|bewerkt)[)\]]?)?"
_JOIN = r"[\s,·•|–—@-]*(?:at|um|à|a las|alle|om|kl\.?)?[\s,·•|–—-]*"
DATE = rf"(?:{_DAY}(?:{_JOIN}{_CLOCK})?|{_CLOCK}{_JOIN}{_DAY}|{_AGO}|{_CLOCK}){_EDITED}"

_BUTTONS = """
reply|replies|like|likes|liked|dislike|share|shares|report|flag|save|saved|quote|permalink|edit|delete|give award
award|follow|block|hide
show more|show less|read more|read less|see more|see less|load more|load more comments|show replies|hide replies
view replies|more replies
translate|translate to english|see translation|see original|view all comments|all comments|add a comment
add a comment...|write a reply
write a comment|sort by|top comments|newest first|oldest first|most relevant|best|top|newest|oldest|copy link|link
upvote|downvote|vote
up|down|helpful|was this helpful|log in|log in to reply|sign in|sign in to reply|sign up|join the conversation|next
previous|prev
next page|previous page|pinned|pinned comment|op|author|host|moderator|mod|top fan|verified|back to top|print
comments|comment|edited
highlighted reply|liked by creator|subscribe|subscribed|advertisement|ad|sponsored|skip to content|menu|share this
copy|more|options|love
antworten|antwort|gefällt mir|gefällt mir nicht|teilen|melden|mehr anzeigen|weniger anzeigen|mehr lesen
antworten anzeigen|übersetzen
antworten ausblenden|zitieren|kommentare|kommentar schreiben|angeheftet|kommentieren|anmelden|weiter|zurück|hilfreich
bearbeitet
répondre|j’aime|j'aime|je n'aime pas|partager|signaler|afficher plus|voir plus|lire la suite|traduire
afficher les réponses|modifié
commentaires|citer|suivant|précédent|utile
responder|me gusta|no me gusta|compartir|denunciar|mostrar más|ver más|leer más|traducir|ver respuestas|comentarios
citar|editado
rispondi|mi piace|non mi piace|condividi|segnala|mostra altro|leggi tutto|traduci|mostra risposte|commenti|cita
modificato
svara|gilla|dela|anmäl|visa mer|visa svar|översätt|svar|lik|liker|del|rapporter|vis mer|vis svar|oversett|kommentarer
siter
reageren|vind ik leuk|delen|rapporteren|meer weergeven|vertalen|antwoorden|beantwoorden|citeren
""".strip()
_BUTTON_WORDS = frozenset(word.strip() for word in re.split(r"[|\n]", _BUTTONS))
_COUNTED = re.compile(
    r"(?:view |see |show |load |hide |all |afficher |voir |ver |mostra |visa |vis |alle )*"
    r"[+-]?\d+(?:[.,]\d+)?\s?[kKmM]?\+?\s*"
    r"(?:more |weitere |autres |más |altre |fler |flere )?"
    r"(?:likes?|dislikes?|repl(?:y|ies)|comments?|shares?|views?|upvotes?|downvotes?|points?|votes?"
    r"|reactions?|people like this"
    r"|people found this helpful|retweets?|boosts?|favou?rites?|hearts?|thumbs up|awards?"
    r"|antwort(?:en)?|kommentare?|gefällt mir|gefällt-mir-angaben?|stimmen?|aufrufe|réponses?"
    r"|commentaires?|j['’]aime|vues|respuestas?"
    r"|comentarios?|me gusta|votos?|rispost[ae]|comment[oi]|mi piace|svar|kommentar(?:er)?"
    r"|gilla(?:r|-markeringar)?|liker(?:klikk)?"
    r"|reacties?|antwoorden)?(?: anzeigen| ansehen)?",
    re.IGNORECASE,
)
_LIKES = re.compile(
    r"(?:[👍❤♥️🔥⬆▲😂👏😮]+\s*)?[+]?(?P<number>\d+(?:[.,]\d+)?)\s?(?P<scale>[kKmM]?)"
    r"(?:\s*(?:likes?|upvotes?|points?|votes?|reactions?|hearts?|people like this"
    r"|gefällt mir|j['’]aime|me gusta|mi piace|liker"
    r"|gilla(?:r|-markeringar)?))?",
    re.IGNORECASE,
)
_PIECES = re.compile(r"\s*[·•|⋅∙]\s*|\s{2,}|\t+")
_WORDLESS = re.compile(r"[^\w?!.]*")
_DATE_LINE = re.compile(
    rf"[\s(\[·•|-]*(?:(?:posted|gepostet|published|edited|bearbeitet|modifi[ée]"
    rf"|editado|modificato|redigert|on|am|le|el|il)\s*:?\s*)?(?P<time>{DATE})[\s)\].·•|:-]*",
    re.IGNORECASE,
)
_SHORT_LINE = re.compile(rf"(?P<time>{_SHORT_AGO}){_EDITED}", re.IGNORECASE)
_NAME = r"(?:@[\w.\-]{2,40}|[^\W\d_][^\n:;!?<>\"“”]{0,39}?)"
_AUTHOR_DATE = re.compile(
    rf"(?:#?\d{{1,6}}[.)\s·•|-]+)?(?:(?:posted\s+)?(?:by|von|par|por|da|av|door)\s+)?(?P<author>{_NAME})"
    rf"(?P<join>\s*[·•|,(\[–—-]+\s*|\s+(?:on|am|le|el|il)\s+"
    rf"|\s+(?:wrote|said|schrieb|a écrit)\s+(?:on|am|le)\s+|\s+)(?P<time>{DATE}|{_SHORT_AGO})"
    rf"[\s)\].:·•|-]*",
    re.IGNORECASE,
)
_SURE_JOIN = re.compile(r"[·•|(\[]|wrote|said|schrieb|a écrit", re.IGNORECASE)
_BY_FIRST = re.compile(r"(?:posted\s+)?(?:by|von|par|por|da|av|door)\s", re.IGNORECASE)
_INITIAL = re.compile(r"\b[^\W\d_]\.(?=\s|$)")
_DATE_AUTHOR = re.compile(
    rf"[\[(]?(?P<time>{_DAY}(?:{_JOIN}{_CLOCK})?|{_CLOCK})[\])]?"
    rf"\s*[·•|,–—-]*\s*(?:by|von|par|por|da|av)?\s*(?P<author>{_NAME})\s*:?",
    re.IGNORECASE,
)
_CHAT = re.compile(
    rf"\[?(?P<time>{_DAY},?\s+{_CLOCK})\]?\s*(?:[-–]\s*)?(?P<author>[^:\n]{{1,40}}):\s+(?P<text>\S.*)", re.IGNORECASE
)
_HANDLE = re.compile(
    r"(?P<author>@[\w.\-]{2,40}|u/[\w\-]{2,40})(?:\s*[·•|]?\s*(?:op|author|host|mod|moderator|pinned))?", re.IGNORECASE
)
_BY = re.compile(rf"(?:posted|gepostet|commented|written)\s+(?:by|von)\s+(?P<author>{_NAME})", re.IGNORECASE)
_NUMBERED = re.compile(
    r"(?:(?:comment|response|answer|reply|post|listener|kommentar|antwort|réponse|respuesta|risposta|svar)\s*)?"
    r"[#№]\s?\d{1,6}[.):]?"
    r"|(?:comment|response|answer|reply|post|listener|kommentar|antwort|réponse|respuesta"
    r"|risposta|svar)\s+\d{1,6}[.):]?",
    re.IGNORECASE,
)
_RULER = re.compile(r"\s*(?:[-=_*~—–]\s?){3,}\s*")
_LONG = 200
"""A longer line is somebody's words, whatever is in it."""
_PAGE_TOP = re.compile(
    r"(?:\d[\d.,]* )?(?:comments|responses|kommentare|kommentarer|commentaires|comentarios|commenti)(?: \(?\d+\)?)?"
    r"|sort by.*|top comments|newest first|oldest first|most relevant|all comments|view all comments",
    re.IGNORECASE,
)
_INVISIBLE = re.compile("[\u200b-\u200f\u2060\ufe0e\ufe0f\ufeff]")


class Line(NamedTuple):
    """What a line is.

    `kind` is text, name (may be an author), header (author and date), maybe (a header if others in the file are like
    it), date, handle, number, ruler, boilerplate or blank; `author` and `time` stand as written; `likes` where the line
    counts them; `text` is what may be a response's own words.
    """

    kind: str
    author: str = ""
    time: str = ""
    likes: int | None = None
    text: str = ""


def tell(line: str) -> Line:
    """What the line is by itself, without its neighbours."""
    bare = _INVISIBLE.sub("", line).replace("\u00a0", " ").strip()
    if not bare:
        return Line("blank")
    if len(bare) > _LONG:
        return _chat(bare) or Line("text", text=line)
    if _RULER.fullmatch(bare):
        return Line("ruler")
    if bare.startswith((">", '"', "“", "„", "«")):
        return Line("text", text=line)
    if _NUMBERED.fullmatch(bare):
        return Line("number")
    if chat := _chat(bare):
        return chat
    if found := _DATE_LINE.fullmatch(bare):
        return Line("date", time=found["time"])
    if plain := _boilerplate(bare):
        return plain
    for pattern in (_AUTHOR_DATE, _DATE_AUTHOR):
        found = pattern.fullmatch(bare)
        if found and _could_be_name(found["author"]):
            sure = bare.startswith("[") or (
                pattern is _AUTHOR_DATE
                and (_SURE_JOIN.search(found["join"]) or found["author"].startswith("@") or _BY_FIRST.match(bare))
            )
            author = found["author"].strip(" ,-–—")
            return Line("header" if sure else "maybe", author=author, time=found["time"], text="" if sure else line)
    if parts := _header_parts(bare):
        return parts
    if (found := _HANDLE.fullmatch(bare)) or (found := _BY.fullmatch(bare)):
        return Line("handle", author=found["author"])
    if _could_be_name(bare):
        return Line("name", author=bare, text=line)
    return Line("text", text=line)


def page_top(line: str) -> bool:
    """True for what stands between a page's title and its first comment: "11 comments", "Sort by", "Newest first"."""
    return _PAGE_TOP.fullmatch(line.strip()) is not None


def _chat(bare: str) -> Line | None:
    found = _CHAT.fullmatch(bare)
    if found is None or not _could_be_name(found["author"].strip()):
        return None
    return Line("header", author=found["author"].strip(), time=found["time"], text=found["text"])


def _header_parts(bare: str) -> Line | None:
    """ "Kestrel_94 · Moderator · 3 months ago · Edited": a name, a date, and buttons, set apart by dots or bars."""
    parts = [part for part in _PIECES.split(bare) if part]
    if not 2 <= len(parts) <= 6:
        return None
    author = time = ""
    likes: int | None = None
    for part in parts:
        if found := _DATE_LINE.fullmatch(part) or _SHORT_LINE.fullmatch(part):
            time = time or found["time"]
        elif plain := _boilerplate(part):
            likes = plain.likes if likes is None else likes
        elif _NUMBERED.fullmatch(part):
            continue
        elif not author and _could_be_name(part):
            author = part
        else:
            return None
    return Line("header", author=author, time=time, likes=likes) if author and time else None


def _boilerplate(bare: str) -> Line | None:
    """The line as boilerplate where all of its parts are buttons, counts or short dates; else None."""
    if _WORDLESS.fullmatch(bare):
        # Emoji alone are a reaction bar only with a count; by themselves they are what somebody wrote.
        return Line("boilerplate") if all(sign.isascii() or sign in "·•–—…" for sign in bare) else None
    likes: int | None = None
    time = ""
    parts = [part for part in _PIECES.split(bare) if part]
    if len(parts) == 1:
        parts = _button_row(bare)
    for part in parts:
        if _is_button(part):
            continue
        if found := _LIKES.fullmatch(part):
            likes = _number(found) if likes is None else likes
        elif _COUNTED.fullmatch(part):
            continue
        elif len(parts) > 1 and (found := _SHORT_LINE.fullmatch(part) or _DATE_LINE.fullmatch(part)):
            time = found["time"]
        elif len(parts) == 1 and (found := _SHORT_LINE.fullmatch(part)):
            return Line("date", time=found["time"])
        else:
            return None
    return Line("boilerplate", time=time, likes=likes)


def _is_button(part: str) -> bool:
    word = part.strip(" ()[]:.…▾▼▲▸►+✓✔»›👍👎❤♥🔁↩").lower()
    return word in _BUTTON_WORDS


def _button_row(bare: str) -> list[str]:
    """ "Like Reply Share 3w" cut into its buttons; the line whole where it is no such row."""
    words = bare.split(" ")
    if not 2 <= len(words) <= 10:
        return [bare]
    parts: list[str] = []
    at = 0
    while at < len(words):
        for end in range(min(len(words), at + 4), at, -1):
            part = " ".join(words[at:end])
            date = _SHORT_LINE.fullmatch(part)
            if _is_button(part) or date or _COUNTED.fullmatch(part) or _LIKES.fullmatch(part):
                parts.append(part)
                at = end
                break
        else:
            return [bare]
    return parts if any(_is_button(part) for part in parts) else [bare]


def _number(found: re.Match[str]) -> int:
    scale = {"k": 1_000, "m": 1_000_000}.get(found["scale"].lower(), 1)
    number = found["number"]
    return round(float(number.replace(",", ".")) * scale) if scale > 1 else int(re.sub(r"\D", "", number))


def _could_be_name(text: str) -> bool:
    """Short, few words, no sentence: may be a handle or a name.  Digits only within a word."""
    text = _INITIAL.sub("X", text.strip())
    if not 2 <= len(text) <= 40 or text[-1] in ".!?,;:…%" or re.search(r"[!?;:%\"“”]|\.\s", text):
        return False
    words = text.lstrip("@").split()
    if not 1 <= len(words) <= 4 or not all(word[0].isalpha() or word[0] in "(_&" for word in words):
        return False
    return len(words) == 1 or all(word[0].isupper() or word.lower() in _PARTICLES or word[0] in "(&" for word in words)


_PARTICLES = _words("von van de da di del der den du la le al el y e und and af av bin of the from in aus")
