"""Files -> checked rows: the first step of the main path.

    sources     what was handed in -> one candidate per table and file (folders, zips, gz, workbooks)
    prepare     candidate -> a text the engine can read: encoding, dialect, header, hash
    mapping     how somebody's export becomes our tables (mapping.toml)
    check       the checks of a file as SQL, written from the declarations
    staging     reads and checks a file inside the engine; faults by record number
    records     byte by byte: broken records, physical lines
    codes       every kind of fault and what the planner does about it
    templates   empty files to fill in, from the same declarations

`planner.store.loading` calls these in order and stores what is good, all in one transaction.
"""
