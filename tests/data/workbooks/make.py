"""Writes trials.xlsx and trials.ods: the smallest workbooks with a note sheet and a table of trials.

Only the standard library is used, so that what is read is known to the byte:  python3 make.py
"""

import zipfile
from xml.sax.saxutils import escape

HEADER = ["Trial ID", "surface", "material", "abrasion_time_s", "outcome", "day", "layers", ""]
ROWS = [
    ["T1", "asphalt", "cowhide", 4.12, "perforated", 46176, 2, None],  # 46176 is 3 June 2026
    [None] * 8,
    ["T2", "belt", "cowhide", 0.1 + 0.2, "Run-out", 46177, None, None],
]


def xlsx(path):
    def cell(place, value):
        if value is None or value == "":
            return ""
        if isinstance(value, str):
            return f'<c r="{place}" t="inlineStr"><is><t>{escape(value)}</t></is></c>'
        style = ' s="1"' if place[0] == "F" else ""
        return f'<c r="{place}"{style}><v>{value!r}</v></c>'

    def sheet(rows, first):
        out = ""
        for i, row in enumerate(rows, first):
            out += f'<row r="{i}">' + "".join(cell("ABCDEFGH"[k] + str(i), v) for k, v in enumerate(row)) + "</row>"
        return (
            '<?xml version="1.0" encoding="UTF-8"?>'
            '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
            f"<sheetData>{out}</sheetData></worksheet>"
        )

    parts = {
        "[Content_Types].xml": '<?xml version="1.0" encoding="UTF-8"?><Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Default Extension="xml" ContentType="application/xml"/><Override PartName="/xl/workbook.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/></Types>',
        "_rels/.rels": '<?xml version="1.0" encoding="UTF-8"?><Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="r1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": '<?xml version="1.0" encoding="UTF-8"?><workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main" xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships"><sheets><sheet name="read me" sheetId="1" r:id="r1"/><sheet name="drops" sheetId="2" r:id="r2"/></sheets></workbook>',
        "xl/_rels/workbook.xml.rels": '<?xml version="1.0" encoding="UTF-8"?><Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="r1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet" Target="worksheets/sheet1.xml"/><Relationship Id="r2" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet" Target="worksheets/sheet2.xml"/><Relationship Id="r3" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/styles" Target="styles.xml"/></Relationships>',
        "xl/styles.xml": '<?xml version="1.0" encoding="UTF-8"?><styleSheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><cellXfs count="2"><xf numFmtId="0"/><xf numFmtId="14" applyNumberFormat="1"/></cellXfs></styleSheet>',
        "xl/worksheets/sheet1.xml": sheet([["Invented drops"]], 1),
        "xl/worksheets/sheet2.xml": sheet([HEADER] + ROWS, 3),
    }
    write(path, parts)


def ods(path):
    def cell(value, k):
        if value is None or value == "":
            return "<table:table-cell/>"
        if isinstance(value, str):
            return f'<table:table-cell office:value-type="string"><text:p>{escape(value)}</text:p></table:table-cell>'
        if k == 5:
            date = {46176: "2026-06-03", 46177: "2026-06-04"}[value]
            return f'<table:table-cell office:value-type="date" office:date-value="{date}"><text:p>{date}</text:p></table:table-cell>'
        return f'<table:table-cell office:value-type="float" office:value="{value!r}"><text:p>{value}</text:p></table:table-cell>'

    def table(name, rows):
        out = "".join("<table:table-row>" + "".join(cell(v, k) for k, v in enumerate(r)) + "</table:table-row>" for r in rows)
        return f'<table:table table:name="{name}">{out}</table:table>'

    names = {
        "office": "urn:oasis:names:tc:opendocument:xmlns:office:1.0",
        "table": "urn:oasis:names:tc:opendocument:xmlns:table:1.0",
        "text": "urn:oasis:names:tc:opendocument:xmlns:text:1.0",
    }
    spaces = "".join(f' xmlns:{k}="{v}"' for k, v in names.items())
    blank = [[None] * 8]
    content = (
        f'<?xml version="1.0" encoding="UTF-8"?><office:document-content{spaces} office:version="1.3"><office:body>'
        f'<office:spreadsheet>{table("read me", [["Invented drops"]])}{table("drops", blank * 2 + [HEADER] + ROWS)}'
        "</office:spreadsheet></office:body></office:document-content>"
    )
    manifest = '<?xml version="1.0" encoding="UTF-8"?><manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0" manifest:version="1.3"><manifest:file-entry manifest:full-path="/" manifest:media-type="application/vnd.oasis.opendocument.spreadsheet"/><manifest:file-entry manifest:full-path="content.xml" manifest:media-type="text/xml"/></manifest:manifest>'
    parts = {"mimetype": "application/vnd.oasis.opendocument.spreadsheet", "content.xml": content, "META-INF/manifest.xml": manifest}
    write(path, parts)


def write(path, parts):
    with zipfile.ZipFile(path, "w") as book:
        for name, text in parts.items():
            info = zipfile.ZipInfo(name, (2026, 1, 1, 0, 0, 0))
            method = zipfile.ZIP_STORED if name == "mimetype" else zipfile.ZIP_DEFLATED
            book.writestr(info, text.encode(), method)


xlsx("trials.xlsx")
ods("trials.ods")
