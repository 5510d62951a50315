"""Words that a copy cannot change, words that say nothing, and number words, in the languages that audiences mix.

The lists are this project's own.  They serve comparison only: a word that is missing here costs a missed copy or a
weaker check, never a value.  All words are in the form that `plain_text` gives (lower case, no accents).
"""

from __future__ import annotations


def words_of(text: str) -> frozenset[str]:
    """The words of a list that is written as text."""
    return frozenset(text.split())


CHEMISTRY = words_of(
    """lfp lifepo4 nmc nca nmca lmo lto lnmo nickel ternary phosphate iron eisenphosphat fer fosfato ferro jern
    jarn sodium natrium titanate manganese cobalt nickelbasiert nikkel"""
)

NEGATIONS = words_of(
    """no not never none nothing without dont doesnt didnt isnt wasnt arent wont cant cannot couldnt havent hasnt
    hadnt aint nor neither nie niemals nicht kein keine keinen nichts ohne pas jamais rien aucun sans ne nunca
    nada sin ningun jamas non mai niente senza nooit niet geen niets zonder aldri ikke ingen uten aldrig inte
    inget utan ikkje nao nem nenhum"""
)

HOW_OFTEN = words_of(
    """always ever often sometimes rarely seldom hardly usually mostly only daily nightly weekly monthly every each
    once twice thrice other second third half all both full empty more less under over below above between least
    immer oft manchmal selten meist nur taglich wochentlich monatlich jeden jede einmal zweimal voll halb
    toujours souvent parfois rarement seulement tous toutes chaque fois plein moitie siempre veces raramente
    solo cada vez lleno mitad sempre spesso volte raramente ogni pieno meta altijd vaak soms zelden alleen
    dagelijks wekelijks elke iedere keer vol helft alltid ofte ofta iblant ibland sjelden sallan bare bara hver
    varje gang full halvparten halften monday tuesday wednesday thursday friday saturday sunday mondays tuesdays
    wednesdays thursdays fridays saturdays sundays weekend weekends weekday weekdays day days week weeks night nights
    morning evening winter summer spring autumn january february march april may june july august september october
    november december"""
)

WHOSE = words_of(
    """my mine our ours his her hers their theirs your yours wife wifes husband husbands partner partners sister
    sisters brother brothers mother mothers mum mums mom moms father fathers dad dads parents son sons daughter
    daughters friend friends neighbour neighbours neighbor neighbors colleague colleagues boss uncle uncles aunt
    aunts cousin cousins company fleet mein meine meiner unser unsere frau mann schwester bruder mutter vater
    nachbar kollege mon ma notre femme mari soeur frere mere pere voisin collegue mi mio mia nuestro mujer
    marido hermana hermano madre padre vecino moglie marito sorella fratello mijn onze vrouw zus broer moeder
    vader buurman min mitt kona kone soster bror mor far nabo gained gain lost loss kept left new used old"""
)

VALUES = (
    CHEMISTRY
    | NEGATIONS
    | words_of(
        """daily nightly weekly monthly every each once twice thrice other second third quarter half both always full
        empty taglich wochentlich monatlich jeden jede immer einmal zweimal voll halb toujours chaque siempre cada
        lleno sempre ogni pieno altijd elke iedere vol alltid hver varje full gained gain"""
    )
)
"""Words that alone give a value or take one away: a text to which one is added says something else."""

TELLING = CHEMISTRY | NEGATIONS | HOW_OFTEN | WHOSE
"""Words of which one cannot stand for another: who puts "winter" for "summer" says another thing."""

FILLER = words_of(
    """a an the and but or so to of at in on it its is was be been has have had with for from by as that this these
    those there here i im ive we were you just then than now really very quite well also too already about
    around roughly some lol haha hi hello hey thanks thank please cheers everyone everybody folks guys ok okay
    yes yeah btw fwiw imo imho der die das ein eine und aber oder ist war zu von mit auf im am es ich wir ja
    auch schon etwa ca hallo danke gruss gruesse le la les un une et mais ou est de du des en avec je nous oui
    merci bonjour salut environ el los las una y o es del con yo hola gracias il lo gli ed ma di da con io ciao
    grazie het een en maar of van met ik wij ook hoi dank og men eller er av med jeg vi ogsa hei takk och ar jag
    ocksa hej tack"""
)

ANNOUNCING = words_of(
    """repost reposting reposted repeat repeating again edit edited editing typo typos spelling copy copied copying
    paste pasted pasting crosspost crossposting quote quoted quoting posted bump bumping resend resending
    retry fixed corrected via rt deleted vanished disappeared eaten swallowed double
    duplicate nochmal nochmals erneut kopiert zitat tippfehler bearbeitet doppelt recopie copie coller citation
    faute corrige encore otra copiado cita errata editado corregido ripeto copiato citazione refuso opnieuw
    gekopieerd citaat typfout igjen kopiert sitat skrivefeil kopierat citat stavfel"""
)
"""Words by which a poster says that the text is a repeat ("Reposting from the other thread:")."""

APPLAUSE = words_of(
    """this that exactly true so well said agreed agree quoted for truth qft bump wow nice great good impressive
    amazing thanks thank you thx ty lol haha yes yep 1 what he she they wrote hear interesting sharing post
    comment info indeed spot on same love genau stimmt danke toll super exact exactement merci bravo eso exacto
    gracias esatto grazie precies bedankt enig takk tack bra top totally absolutely brilliant fantastic respect
    very helpful useful it"""
)
"""Words of a bare remark under a quoted whole, which adds nothing of the remarker's own."""

_ENGLISH_ONES = """two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen
    seventeen eighteen nineteen"""
_ENGLISH_TENS = "twenty thirty forty fifty sixty seventy eighty ninety"
_OTHER_NUMBERS: dict[int, str] = {
    2: "zwei deux dos due twee dois",
    3: "drei trois tres tre drie",
    4: "vier quatre cuatro quattro fire fyra quatro",
    5: "funf cinq cinco cinque vijf fem",
    6: "sechs seis zes seks",
    7: "sieben siete sette zeven sju syv",
    8: "acht huit ocho otto atte atta otte oito",
    9: "neun neuf nueve nove negen ni",
    10: "zehn dix diez dieci tien ti tio",
    11: "elf onze undici elleve elva",
    12: "zwolf douze doce dodici twaalf tolv",
    15: "funfzehn quinze quince quindici vijftien femten femton",
    20: "zwanzig vingt veinte venti twintig tjue tjugo vinte",
    30: "dreissig trente treinta trenta dertig tretti trettio trinta",
    40: "vierzig quarante cuarenta quaranta veertig forti fyrtio quarenta",
    50: "funfzig cinquante cincuenta cinquanta vijftig femti femtio cinquenta",
    60: "sechzig soixante sesenta sessanta zestig seksti sextio sessenta",
    70: "siebzig setenta settanta zeventig sytti sjuttio",
    80: "achtzig ochenta ottanta tachtig atti attio oitenta",
    90: "neunzig noventa novanta negentig nitti nittio",
    100: "hundert ciento cento honderd hundre hundra",
    1000: "tausend mille mila duizend tusen",
}

SMALL_NUMBERS: dict[str, int] = {word: value for value, word in enumerate(_ENGLISH_ONES.split(), start=2)} | {
    word: value for value, words in _OTHER_NUMBERS.items() if value < 20 for word in words.split()
}
TENS: dict[str, int] = {word: 10 * (place + 2) for place, word in enumerate(_ENGLISH_TENS.split())} | {
    word: value for value, words in _OTHER_NUMBERS.items() if 20 <= value < 100 for word in words.split()
}
BIG_NUMBERS: dict[str, int] = {"hundred": 100, "thousand": 1000} | {
    word: value for value, words in _OTHER_NUMBERS.items() if value >= 100 for word in words.split()
}
NUMBER_WORDS = frozenset(SMALL_NUMBERS) | frozenset(TENS) | frozenset(BIG_NUMBERS)
