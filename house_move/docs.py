"""What the rooms and the merged modules say of themselves."""

ROOMS = {
    "core": """The ground that every other room stands on: what a recipe states, what a step is, how files of others are opened.

Comes in: nothing of geoqa. Goes out: errors, declared parameters, units and clocks, the job, the five kinds of step and
what they hand over, coordinate systems, rasters, vector files and the set of files in an output folder. No step lives
here.
""",
    "core.frames": """The contract of every frame that passes between steps: columns, kinds, limits, words, and what each means.

One module a topic, called as the topic is in `analysis` and `outputs`. Comes in: a frame. Goes out: the same frame
checked, with all faults at once, and the few phrases that analysis and outputs both say. No step lives here.
""",
    "core.statistics": """Arrays in, arrays out: sorted groups, averages, rank tests, curves, local statistics, mixtures, ellipses.

Nothing here knows a recipe's tolerance or a status, so every room above may stand on it, and each method names its
source. No step lives here.
""",
    "core.site": """Many files become one site: rows stacked, labels united, names matched to points, decisions of a reviewer put on.

Comes in: `occupations` as readers give them, and the job. Goes out: `occupations` of the whole site, with messages of
what was united, matched, decided or corrected. No step lives here.
""",
    "readers": """From files to frames; one module a format, with its own kernels beside it.

Comes in: a file of others and the job. Goes out: `occupations` and `set_aside`, each row accounted for, or a proposed
recipe. Steps: delimited, landxml, vector, xlsx; nmea has a room of its own. Small tables beside the
recipe, canopy files and the frames of an earlier review are read here too.
""",
    "readers.text": """Text of files and of the recipe's own grammar: lines, numbers, angles, times, patterns, the row filter.

Comes in: bytes, or cells of text. Goes out: lines and values, and the conditions of the recipe that say which rows and
which part of a cell are meant. No step lives here.
""",
    "readers.recipe": """A recipe becomes a job: TOML or a plain mapping read, its tables checked, every fault reported at once.

Comes in: the path or the mapping of a recipe. Goes out: the job, complete with every default, and the faults with the
line to write instead. No step lives here; what a job holds is declared in `core`.
""",
    "readers.tables": """A table of text becomes typed columns: records, headings, what they suggest, units, coordinate systems.

Every table-like format ends here, whatever it was. Comes in: bytes or cells. Goes out: the columns of `occupations`, and
why each row that is not used was set aside. No step lives here; the readers above call it.
""",
    "readers.nmea": """Receiver logs in NMEA 0183: from bytes to sentences, epochs, stops, and the occupations found in them.

Comes in: log files that may continue one another, and field notes of who stood where. Goes out: `epochs`, `occupations`
and `set_aside`, file by file. Step: nmea.
""",
    "analysis": """From frames to judged frames: one room a topic; what is smaller than a room stands here as a module.

Comes in: `occupations` and the job. Goes out: every frame of a review. Steps here: canopy-context, canopy-costs,
occupation-places, closure-lines, point-places, ellipses, name-checks, changes, reviewer-decisions. A module with a
leading underscore is a kernel of its room and is imported by no other room.
""",
    "analysis.occupations": """What every other wing stands on: which rows count, what they are compared with, how precise, and which visit.

Comes in: `occupations` and the job. Goes out: direct rows as arrays, base set-ups, expected covariances, tolerances by
role, means of fixes and visits. Step: visits.
""",
    "analysis.closures": """Every pair of occupations of a point: the difference, how independent the two are, tolerance and test.

Comes in: `occupations` with visits. Goes out: `closures` with status, and which rows are copies of others. Steps:
closures, closure-status.
""",
    "analysis.precision": """What the stated precision is worth on this site, by canopy class: prior, pairs of visits, mixture, table.

Comes in: `closures` and `occupations`. Goes out: `classes`, `gross_scales`, the shares of each status, calibration by
procedure. Steps: first-calibration, calibration, class-shares, procedures.
""",
    "analysis.points": """The status of a point, its coordinate, the risk that it rests on a wrong fix, and whether it may be delivered.

Comes in: `occupations`, `closures` and `classes`. Goes out: `points`, column by column, `repeats`, and how large an error
could go unseen. Steps: point-status, combination, uncertainty, repeats, risk, delivery, detectability, detection,
pairs-needed.
""",
    "analysis.control": """Comparison with what was known before: control points, daily check shots, stakes beside their design.

Comes in: `occupations`, `points` and known coordinates. Goes out: `control_checks`, `check_log`, `check_shots`, stakes and
averages. Steps: control-checks, check-log, stakes, averages.
""",
    "analysis.standards": """What may be claimed of the site, one published standard a module, each in its own terms with its source.

Comes in: `points`, `control_checks` and what the recipe asks for. Goes out: `statements`, `statement_conditions`,
`line_precision` and the class of each point. Steps: statements, line-precision, real-time-classes.
""",
    "analysis.shifts": """Errors that occupations share and closures cannot see: base coordinate, antenna height, unit, localization, name.

Comes in: `occupations`, `closures`, `classes` and known coordinates. Goes out: `shifts` and `shifted`, with what each
looks like and what to do. Steps: shifts, shifts-explain.
""",
    "analysis.zones": """Where it is bad beyond chance: spatial clusters of bad points, and neighbours that are all off the same way.

Comes in: `points`, `closures`, `occupations` and shifts. Goes out: `zones` with outlines and sentences, and
`points.zone`. Step: zones.
""",
    "analysis.observing_time": """How long crews waited for a fix and how long an occupation must be, from the epochs of receiver logs.

Comes in: `epochs` and `occupations`. Goes out: `convergence`, `waits`, `wait_tests`, `durations`; nothing where there are
no logs. Steps: convergence, durations.
""",
    "analysis.revisits": """What to observe again: which points, what to do there, when, with what chance, and in which order to walk.

Comes in: `points` with delivery, `occupations` and `classes`. Goes out: `revisits`, the list that the field sheet and the
map show. Step: revisits.
""",
    "outputs": """From frames to files; the only part that draws. What all outputs share, and the outputs that are one module.

Comes in: frames, the job and the record. Goes out: review.gpkg with its styles and project, points.csv, revisits.csv,
run.json and the summary, written into one folder as a set. No step lives here.
""",
    "outputs.map": """Drawings become map.html, one self-contained page that asks the network for nothing unless its reader does.

Comes in: drawings of the layers and what stands beside them. Goes out: a page with packed columns that its scripts in
`outputs/static` unpack. No step lives here; the layers are in `outputs/layers`.
""",
    "outputs.layers": """Map layers, one class a module: frames in, drawings out, and never markup, so that no text of a file can act.

Steps: points-on-map, ellipses-on-map, closures-on-map, control-on-map, zones-on-map, revisits-on-map, shifts-on-map,
site-boundary, cover-areas, canopy-raster, online-background. What a click shows and where things stand is here too.
""",
    "outputs.deliver": """Files of delivered points for the software of other people, one module a format, written on request.

Comes in: a deliverable, the columns in the job's order and unit. Goes out: one file, the same bytes for the same
points. Steps: csv-file, dxf-file, geojson-file, geoparquet-file, gpx-file, kml-file, landxml-file, xlsx-file.
""",
    "outputs.plots": """Plots as SVG text that may stand in any page: frames in, the same bytes out every time, in one style.

Steps, declared in `steps`: waits-plot, durations-plot, positions-plot, series-plot, closures-plot, canopy-plot,
classes-plot. What each draws is in the module of its topic.
""",
    "outputs.field": """What a crew takes along: the field sheet with its sketch of the walk, and waypoints for a receiver.

Comes in: `revisits`, `occupations`, `points` and `zones`. Goes out: revisits.html and revisits.gpx; revisits.csv is written
by `outputs/tables`. No step lives here.
""",
    "outputs.report": """The report: one document made of plain blocks, from frames and the record, written as HTML and as PDF.

Comes in: frames, figures, the job and the record. Goes out: report.html and report.pdf. The first page is the client's;
the reviewer's sections follow. No step lives here.
""",
    "reviews": """The front door: files are read, steps are run, what they gave is kept, and the files of a review are written.

Comes in: paths and a recipe, or the folder of an earlier review. Goes out: a `Review` and, by its `write`, one set of
files. Readers are detected, installed layers, plots and writers are configured here. No step lives here.
""",
}

#: First lines of modules that are made of several.
SUMMARY = {
    "cli": "The command line: commands, options, progress and standard input. Nothing heavy is imported before a command runs.",
    "commands": "Commands beside the review's own: `geoqa run STEP`, one for each step, and `geoqa experience`.",
    "analysis.precision.pooling": "What is known of each class: a prior, the other classes of the site, earlier jobs, and its own pairs. Kernels.",
    "analysis.precision.priors": "What is thought before the first pair: of a class, and of a wrong fix that comes back.",
    "plugins": "Steps of this and other distributions, found by name, and run so that their mistakes stop at them.",
    "reviews.review": "The front door: `review` reads, judges and keeps a whole site; `Review.write` makes the files.",
    "reviews.reading": "From the paths of a review to its frames: files told apart, readers detected, and all files read.",
    "reviews.output_steps": "Installed map layers, plots and writers, loaded and configured once for a job, and what they make.",
    "reviews.stored": "Earlier reviews taken up again: redrawn, one step run on their frames, or two of them compared.",
    "demo.ground": "The ground of the demo site, and random numbers that are the same on every machine.",
    "demo.fieldwork": "The field work of the demo site, and what goes wrong in it.",
    "demo.files": "The files of the demo site: field book, recipe, receiver logs, and the truth behind them.",
    "testing.checks": "What is asked of a step: a whole declaration, the same answer again, rows accounted for, files made twice alike.",
    "core.recipe": "Tables of a recipe as declared, frozen objects: tolerances, what is judged, columns, canopy, control, report facts.",
    "core.job": "The job: a recipe once it is complete. Every recipe key is declared in `core` and nowhere else.",
    "core.clock": "Clocks: the time zone that people of a job read, and GPS time.",
    "core.steps": "The five kinds of processing step, and what plots and writers hand over and are given.",
    "core.input_files": "How the files of others come in: opened once, bounded, and unpacked within bounds.",
    "core.vector_files": "Vector files of others, opened by the format that their content is of; areas and lines from them.",
    "core.result_set": "The set of files that geoqa has in a folder, and the lock of who writes it.",
    "core.frames.contract": "What the contract of a frame is made of, and a column checked against it.",
    "core.frames.schema": "The contract of every frame: column names, kinds, limits, and what each means.",
    "core.frames.canopy": "Contracts of the frames on canopy and its classes.",
    "core.frames.logs": "Contracts of the frames that receiver logs give: epochs, attempts, waits, durations.",
    "core.frames.revisits": "Contracts of `revisits` and of what changed since an earlier review.",
    "core.frames.wording": "Phrases and orders that analysis and outputs share: the worst first, canopy, off control.",
    "core.statistics.groups": "Sorted groups as arrays, and initializations in a stream of epochs.",
    "core.statistics.averages": "What an average of correlated epochs is worth.",
    "core.statistics.sample_tests": "Samples compared, and samples against something better known: rank tests, bounds, bias, outliers.",
    "core.statistics.curves": "Curves with bounds and tests: waiting times that were cut short, and a share against a measure.",
    "core.statistics.local_statistics": "Neighbours, and whether it is worse among them than chance makes it.",
    "core.statistics.covariance": "Error ellipses, confidence, and how probably an error is larger than a limit.",
    "core.site.assembly": "Several files made one site, and shifts taken off its occupations.",
    "core.site.labels": "Labels: when two are one, what they mean, and which text a spreadsheet would run.",
    "readers.recipe.toml_tables": "Tables of a recipe read from TOML: per file, canopy, columns, control.",
    "readers.recipe.rules": "What a recipe's keys ask of each other; each rule adds every fault it finds.",
    "readers._vector_layers": "One layer of a vector file, whoever reads it.",
    "readers.companions": "Small tables beside the recipe: lookup of names, decisions of a reviewer, sets of a field test.",
    "readers.canopy": "What stands around each point: stand maps and rasters of canopy heights.",
    "readers.proposal": "A recipe proposed for a file.",
    "readers.text.text_file": "Bytes to lines of text, and what parts their columns.",
    "readers.tables.records": "Lines to a table of text columns, every record with its place in the file.",
    "readers.tables.inference": "What headings and cells suggest: only what a person would read off the file itself.",
    "readers.text.numbers": "Text to numbers and angles, and the step that numbers lie on.",
    "readers.text.times": "Text to moments in UTC: ISO 8601 or a strptime pattern, with the zone of times that carry none.",
    "readers.tables.mapped_table": "A table seen through a recipe: our columns by name, and why rows of it are set aside.",
    "readers.text.row_filter": "Which rows of a file are used, and which part of a cell.",
    "readers.tables.coordinate_checks": "Coordinates against the systems that the recipe and the file state.",
    "readers.nmea.files": "Log files to frames: chained, read, searched for stops, accounted for, and a recipe proposed.",
    "readers.nmea.sentences": "NMEA 0183 sentences found in bytes, and their fields as arrays.",
    "readers.nmea.epochs": "Epochs from the sentences of a log, and their moments.",
    "readers.nmea.stops": "Occupations in a stream: who stood where by the field notes, and stops cut by initialization and averaged.",
    "readers.nmea.stillness": "When a receiver stood still, from its positions alone, and halts of vehicles, which are no occupations.",
    "analysis.canopy": "The canopy around each point, and what canopy costs on this site.",
    "analysis.geometry": "Geometry of occupations, closures, points and error ellipses in the job's CRS.",
    "analysis.history": "What changed since an earlier review, and what a reviewer decided.",
    "analysis.occupations.measured_rows": "The rows that can prove something, the use a point makes of each, and the base set-ups that served them.",
    "analysis.occupations.differences": "Differences of rows from what they are compared with, and the rows of known points.",
    "analysis.occupations.roles": "What each role accepts and judges, as arrays.",
    "analysis.occupations.visit_means": "How independent occupations are, and positions averaged from rows to fixes to visits.",
    "analysis.closures.agreement": "Do they agree? The two axes, tolerance and expectation, for pairs and for sets of positions.",
    "analysis.precision.visit_pairs": "One closure for each pair of visits, and which of them take part in a site's figures.",
    "analysis.precision.calibration": "Calibration: what the stated precision is worth under each canopy class, and their shares of each status.",
    "analysis.points.detectability": "What the tests can find: errors of one visit, pairs that a class needs.",
    "analysis.points.verdict": "The verdict on each point along one axis, and why it is so.",
    "analysis.points.point_status": "The status of each point, from its visits, and which shifts explain a disagreement.",
    "analysis.points.combination": "The coordinate of each point, from the visits its status rests on, and its error ellipse.",
    "analysis.points.risk": "The risk of each point, and how often a wrong fix comes back.",
    "analysis.points._fix_sequences": "The fixes of a site in order of time, and every way they could be right or wrong.",
    "analysis.standards.statements": "What may be claimed of the site and of each point and line, in the terms of each standard.",
    "analysis.standards.boundary_lines": "Relative positional precision of boundary lines, corner by corner.",
    "analysis.standards.rmse": "Figures of residuals, and root mean square errors against control.",
    "analysis.shifts._table": "Findings as rows of the `shifts` frame: what each looks like, how it shows, and what to do.",
    "analysis.shifts._adjustment": "Sessions of one visit and set-up, the site adjustment over them, and their common offsets.",
    "analysis.shifts._setups": "Which set-ups stand apart from the majority, and whether their shift turns, grows, tilts or drifts.",
    "analysis.shifts._blunders": "Blunders of the book: unit and axis mix-ups, antenna heights, wrong point names.",
    "analysis.zones._evidence": "What a search for zones looks at: places, closures, and offsets between set-ups.",
    "analysis.zones._search": "The search for zones, and the outlines around them.",
    "analysis.zones._table": "The table of zones and what people are told of them.",
    "analysis.observing_time._log_epochs": "The epochs of a site's stops, attempts at a fix within them, and where each stop truly was.",
    "analysis.observing_time._averaging_times": "What averages of each length spread, from the epochs of fixes that were held.",
    "analysis.revisits._candidates": "Which points need something, what to do about each, and which of them first.",
    "analysis.revisits._walk": "The walk from point to point: where it begins, groups, order and legs.",
    "outputs.symbology": "The one table of what each status looks like and says; symbols and key are both made from it.",
    "outputs.key_tables": "Classes, control and shifts as tables: for the key of the map, the terminal and the report.",
    "outputs.header": "What stands beside everything people are shown: system, units, tolerance and cautions.",
    "outputs.folder": "An output folder written in place, and run.json, the record of what came of the review.",
    "outputs.geopackage": "review.gpkg: frames as layers, and what the file says of them.",
    "outputs.gis_styles": "How a desktop GIS draws the layers of review.gpkg: one set of rules, written in two languages.",
    "outputs.tables": "points.csv and revisits.csv: what the client and the crew get as tables, in the job's unit.",
    "outputs.map.block": "Drawings as a packed block: what is drawn, and the tables that a click shows.",
    "outputs.layers.points": "The points on the map, and their error ellipses.",
    "outputs.layers.popup": "What a click on a point shows, and what points may be chosen by.",
    "outputs.layers.positions": "Where things stand on the map, and small pictures for it.",
    "outputs.deliver.gpx": "GPX 1.1: waypoints to find the points again. Approximate, for navigation only.",
    "outputs.report.html_report": "The report of a review, from its frames and its record, and written as one HTML file.",
    "outputs.field.walk": "The walk: its sketch on the field sheet, and its waypoints.",
    "outputs.plots.epochs": "The epochs of one point: where they fell, and how they went with time.",
    "outputs.plots.observing_time": "Waits for a fix, and what averages spread against their length, by canopy class.",
    "outputs.plots.closures": "What closures show: east and north, the precision of each canopy class, and what canopy costs.",
    "outputs.field.sheet": "revisits.html: the field sheet, all a crew must know on its first page; what stands behind it follows.",
    "outputs.report.document": "What a report is made of: blocks of plain text, numbers and tables, which each writer sets in its own way.",
    "outputs.report.first_page": "The first page: what was asked, what was checked, what may be delivered, what not and why.",
}
