"""The user's folders and archives: where each wanted content lies, under whatever name.

``places`` walks folders, ``directory`` reads what a ZIP archive says of itself, ``archive`` refuses the hostile ones,
``pieces`` gives the bytes of a file or member, ``digest`` hashes them. ``scan`` brings the index up to date,
``search`` finds wanted contents in it and ``nearest`` explains what is missing; ``store`` is the SQLite file all of
it is remembered in, ``index`` the one object callers hold. ``read`` hands out found contents and checks every byte
again; ``tree`` lists a folder or archive whose names count.
"""
