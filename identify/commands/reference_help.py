"""Help texts of the `untagged reference` commands."""

_EXIT_CODES = """
\b
Exit codes:
  0  done
  1  a file could not be written
  2  wrong usage
  3  a table or the reference set could not be read; nothing was changed
"""

IMPORT_HELP = f"""Read tables into the reference set: all of them, or on any bad row nothing.

Rows are added or updated by family_id and kit_no; rows the files lack stay. A missing SQLite file is made.
Tables may be comma, semicolon or tab separated, with decimal points or commas. `untagged reference export`
writes a pattern.

\b
families.csv needs family_id, maker, family, and takes
  size_label, connection, port_standard, port_nominal_in, port_position,
  swivel_flange, housing_joint, chamber_bolt_count, wetted_material,
  chamber_diameter_mm, flange_diameter_mm, bolt_circle_diameter_mm,
  bolt_hole_count, bolt_hole_diameter_mm, port_bore_mm, thread_major_diameter_mm,
  thread_pitch_mm, port_spacing_mm, overall_height_mm, overall_width_mm,
  foot_spacing_long_mm, foot_spacing_short_mm, air_valve_side, max_flow_lpm, notes;
  beside NAME_mm also NAME_sd_mm (standard deviation) and NAME_n (pumps measured);
  any other column is kept as a note.
kits.csv needs kit_no, family_id, section (fluid or air), and takes
  elastomer, contents, price, currency, lead_time_days, stock,
  superseded_by (the number ordered in its place).

\b
Example:
  untagged reference import families.csv kits.csv --reference sqlite:///shop.db
{_EXIT_CODES}"""

EXPORT_HELP = f"""Write the reference set as tables that import reads back exactly.

Without --reference the packaged demo set is written, a pattern for tables of your own.

\b
Example:
  untagged reference export families.csv kits.csv measurements.csv --reference sqlite:///shop.db
{_EXIT_CODES}"""

LIST_HELP = f"""List the families of the reference set.

\b
Example:
  untagged reference list --size 2 --reference sqlite:///shop.db
{_EXIT_CODES}"""

SHOW_HELP = f"""Show everything known of one family: attributes, lengths with their spread, readings, kits.

\b
Example:
  untagged reference show MQ-CAT-10P-A
{_EXIT_CODES}"""

ADD_HELP = f"""Record readings of a pump on the bench, or a new family, and show how repeat readings agree.

A length is one reading on one pump; given several times, several readings. A family's mean, spread and count
follow from all of its readings. Everything else sets an attribute. All of a command is kept, or nothing.

\b
Examples:
  untagged reference add MQ-CAT-10P-A chamber_diameter=212.8 chamber_diameter=213.1
      --by Kim --with caliper --reference sqlite:///shop.db
  untagged reference add SHOP-7 maker=unknown family="green 2 in" connection=flanged
      overall_height=24.5in --new --reference sqlite:///shop.db
{_EXIT_CODES}"""

CHECK_HELP = f"""Say which families photos cannot tell apart yet, and what would.

Pairs that take the same kits are counted but shown only with --all: mixing them up orders nothing wrong.

\b
Example:
  untagged reference check --photo-sd 1 --reference sqlite:///shop.db
{_EXIT_CODES}"""
