"""The words that JSON exports use for a response's parts, so that records can be told from other objects.

This is no mapping of columns to roles (that looks at names in many languages, and at the content): it only answers
"does this object look like a response?", "which key is its own id?", "which list holds its replies?".
"""

from __future__ import annotations

import re


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


TEXT_KEYS = _words(
    "text body content message comment commenttext commentbody commentcontent textdisplay textoriginal bodytext rawtext"
    " contenttext selftext posttext messagetext bodyhtml contenthtml texthtml html markdown raw post answertext"
    " replytext responsetext response reply answer review reviewbody reviewtext freetext openanswer remark remarks"
    " opinion kommentar nachricht beitrag antwort bemerkung anmerkung texte contenu commentaire reponse texto contenido"
    " comentario mensaje respuesta testo contenuto commento messaggio risposta conteudo mensagem resposta tekst"
    " kommentti viesti innehall inlagg bericht reactie tresc komentarz wiadomosc"
)
ID_KEYS = ("id", "commentid", "postid", "messageid", "responseid", "replyid", "cid", "uuid", "guid", "uid", "key")
PARENT_KEYS = _words(
    "parent parentid parentcommentid parentcomment parentpost parentpostid parentmessageid inreplyto inreplytoid"
    " inreplytostatusid inreplytopostid replyto replytoid replytomessageid replytocommentid respondsto"
)
AUTHOR_KEYS = _words(
    "author authorname authordisplayname user username userid handle nick nickname screenname displayname from sender"
    " poster commenter owner autor auteur autore verfasser nutzer usuario utente"
)
REPLY_KEYS = _words(
    "replies reply comments comment children answers answer responses "
    "response thread threads messages posts subcomments"
    " childcomments nestedcomments antworten kommentare reponses commentaires respuestas comentarios risposte commenti"
    " respostas svar kommentarer"
)
BLOCKED_KEYS = _words(
    "edits edithistory history revisions versions quotes quoted quotedpost attachments media images translations"
    " segments entities mentions hashtags tags links urls reactions badges awards emojis users likes flags reports"
    " annotations errors"
)
PEOPLE_KEYS = AUTHOR_KEYS | _words("creator channel profile account person actor editor moderator video page site")
QUESTION_KEYS = _words("question questiontext questiontitle prompt frage pregunta domanda")
ANSWER_KEYS = _words("answer answers answertext value response responsetext antwort reponse respuesta risposta")

_FILL = re.compile(r"[\W_]+")
_KEYS: dict[str, str] = {}


def plain_key(key: str) -> str:
    """`key` in lower case without any sign but letters and digits ("parent_id" and "parentId" are the same)."""
    known = _KEYS.get(key)
    if known is None:
        known = _FILL.sub("", key).lower()
        if len(_KEYS) < 10_000 and len(key) < 100:
            _KEYS[key] = known
    return known
