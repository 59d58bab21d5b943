"""Show what words mean by a register map: words that were read off a meter, or that its manual gives as an example.

The words stand in one row of registers. Where it begins: at --register, as the map's own numbering has it, or at
--quantity; else at the total that is for the books. Every quantity that lies in them is shown as `tallywell read` shows
it. With --should-be and what the display shows, all types, orders and registers are searched for those that agree, and
what to write in the map is said. Exit 1 when nothing of the map lies in the words, or what should be there is not.
"""

import argparse

SUMMARY = "what words from a meter or a manual mean by a map, and which map would fit"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import map_argument

    map_argument(parser)
    given = parser.add_mutually_exclusive_group(required=True)
    given.add_argument("--words", help='hexadecimal words in the order of their registers, such as "0001 86A0"')
    given.add_argument("--bits", help='coils or discrete inputs in the order of their numbers, such as "1 0 0 1"')
    parser.add_argument("--decimal", action="store_true", help="the words are decimal numbers, 0 to 65535")
    parser.add_argument("--quantity", metavar="NAME", help="the words begin at this quantity")
    parser.add_argument("--register", metavar="N", help="the words begin at this register, as the map counts them")
    parser.add_argument("--table", choices=("holding", "input", "coil", "discrete"), help="the table of --register")
    parser.add_argument("--should-be", metavar="SHOWN", help='what the display shows: 1234567, "1234.5 gal", or a text')


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.map_display import searched
    from tallywell.commandline.map_display_text import searched_text
    from tallywell.commandline.map_file import Written, sound_map
    from tallywell.commandline.map_given import begin_given, content_given, display_given, read_given
    from tallywell.commandline.map_trial import Trial, head, odd_lines, values_lines

    loaded, found = sound_map(options.map)
    written = Written(loaded)
    content, count = content_given(options)
    begin = begin_given(options, found, written, bits=options.bits is not None)
    wanted = None if options.should_be is None else display_given(options.should_be, begin, found)
    kind_shown = wanted.kind if wanted and not isinstance(wanted, str) else ""
    trial = Trial(found, written, content, read_given(begin, count), begin.about, kind_shown=kind_shown)
    print("\n".join([head(trial), *begin.why, *values_lines(trial)]))
    if wanted is None:
        for line in odd_lines(trial):
            print(line)
        return 0 if trial.values else 1
    lines, agrees = searched_text(trial, wanted) if isinstance(wanted, str) else searched(trial, wanted)
    print("\n".join(lines))
    return 0 if agrees else 1
