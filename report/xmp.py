"""The XMP packet of a certificate: what the file is, who made it and when, and which standards it keeps.

PDF/A and PDF/UA each look for their own mark in the one rdf:RDF of the packet. PDF/A takes no property
that XMP did not know in 2005 unless the packet itself describes it (ISO 19005-3, 6.6.2.3); PDF/UA's mark
is such a property, so its description is written along.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final
from xml.sax.saxutils import escape, quoteattr

# Ours alone: names that are made from it are the same on every machine (RFC 4122, 4.3).
_NAMESPACE: Final = uuid.UUID("9c1d2f0e-7a5b-4b0d-9f1c-2f6b8f3f7c11")
_PACKET: Final = """<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/">
<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about="" xmlns:pdfaid="http://www.aiim.org/pdfa/ns/id/">
<pdfaid:part>3</pdfaid:part>
<pdfaid:conformance>A</pdfaid:conformance>
</rdf:Description>
<rdf:Description rdf:about="" xmlns:pdfuaid="http://www.aiim.org/pdfua/ns/id/">
<pdfuaid:part>1</pdfuaid:part>
</rdf:Description>
<rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/">
<dc:format>application/pdf</dc:format>
<dc:identifier>{identifier}</dc:identifier>
<dc:title><rdf:Alt><rdf:li xml:lang="x-default">{title}</rdf:li><rdf:li xml:lang={lang_attribute}>{title}</rdf:li></rdf:Alt></dc:title>
<dc:creator><rdf:Seq><rdf:li>{author}</rdf:li></rdf:Seq></dc:creator>
<dc:description><rdf:Alt><rdf:li xml:lang="x-default">{subject}</rdf:li></rdf:Alt></dc:description>
<dc:language><rdf:Bag><rdf:li>{language}</rdf:li></rdf:Bag></dc:language>
</rdf:Description>
<rdf:Description rdf:about="" xmlns:xmp="http://ns.adobe.com/xap/1.0/">
<xmp:CreateDate>{created}</xmp:CreateDate>
<xmp:ModifyDate>{created}</xmp:ModifyDate>
<xmp:MetadataDate>{created}</xmp:MetadataDate>
<xmp:CreatorTool>{creator_tool}</xmp:CreatorTool>
</rdf:Description>
<rdf:Description rdf:about="" xmlns:pdf="http://ns.adobe.com/pdf/1.3/">
<pdf:Producer>{producer}</pdf:Producer>
</rdf:Description>
<rdf:Description rdf:about="" xmlns:xmpMM="http://ns.adobe.com/xap/1.0/mm/">
<xmpMM:DocumentID>uuid:{document_id}</xmpMM:DocumentID>
<xmpMM:InstanceID>uuid:{instance_id}</xmpMM:InstanceID>
</rdf:Description>
<rdf:Description rdf:about="" xmlns:pdfaExtension="http://www.aiim.org/pdfa/ns/extension/" xmlns:pdfaSchema="http://www.aiim.org/pdfa/ns/schema#" xmlns:pdfaProperty="http://www.aiim.org/pdfa/ns/property#">
<pdfaExtension:schemas><rdf:Bag><rdf:li rdf:parseType="Resource">
<pdfaSchema:schema>PDF/UA identification schema</pdfaSchema:schema>
<pdfaSchema:namespaceURI>http://www.aiim.org/pdfua/ns/id/</pdfaSchema:namespaceURI>
<pdfaSchema:prefix>pdfuaid</pdfaSchema:prefix>
<pdfaSchema:property><rdf:Seq><rdf:li rdf:parseType="Resource">
<pdfaProperty:name>part</pdfaProperty:name>
<pdfaProperty:valueType>Integer</pdfaProperty:valueType>
<pdfaProperty:category>internal</pdfaProperty:category>
<pdfaProperty:description>Part of ISO 14289 that the file conforms to</pdfaProperty:description>
</rdf:li></rdf:Seq></pdfaSchema:property>
</rdf:li></rdf:Bag></pdfaExtension:schemas>
</rdf:Description>
</rdf:RDF>
</x:xmpmeta>
<?xpacket end="r"?>"""


@dataclass(frozen=True, slots=True)
class FileFacts:
    """What a file says of itself, in its XMP packet and in its document information alike.

    Attributes:
        identifier: Number and revision of the certificate.
        title: Its title.
        author: The shop.
        subject: What it is about, in a sentence.
        language: Language of its text (BCP 47).
        created: Its date, with a time zone.
        creator_tool: The program that it comes from.
        producer: The program that wrote the PDF.
        content_sha256: Fingerprint of all that went into it, in hex.
    """

    identifier: str
    title: str
    author: str
    subject: str
    language: str
    created: datetime
    creator_tool: str
    producer: str
    content_sha256: str


def packet(facts: FileFacts) -> bytes:
    """Return the XMP packet in UTF-8; the same facts give the same bytes.

    The document's id follows from its identifier, that of the instance from its content.
    """
    return _PACKET.format(
        identifier=escape(facts.identifier),
        title=escape(facts.title),
        lang_attribute=quoteattr(facts.language),
        author=escape(facts.author),
        subject=escape(facts.subject),
        language=escape(facts.language),
        created=facts.created.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        creator_tool=escape(facts.creator_tool),
        producer=escape(facts.producer),
        document_id=uuid.uuid5(_NAMESPACE, facts.identifier),
        instance_id=uuid.uuid5(_NAMESPACE, f"{facts.identifier} {facts.content_sha256}"),
    ).encode()
