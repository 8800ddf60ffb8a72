//! The bill of materials as SPDX 2.3, JSON.

use std::fmt::Write as _;

use jiff::Timestamp;
use ring::digest::{SHA256, digest};
use serde_json::{Value, json};

use crate::licences::holders;
use crate::shipped::{Origin, PUBLIC_DOMAIN, PUBLIC_DOMAIN_TEXT, ShippedPackage};

/// The document. Its namespace is made of its content, so that another content has another.
///
/// # Errors
/// When a package's files cannot be read.
pub(crate) fn document(shipped: &[ShippedPackage], made: Timestamp) -> anyhow::Result<String> {
    let packages = shipped.iter().map(package).collect::<anyhow::Result<Vec<Value>>>()?;
    let mut relationships = vec![relationship("SPDXRef-DOCUMENT", "DESCRIBES", &id(&shipped[0]))];
    for it in shipped {
        for need in &it.needs {
            relationships.push(relationship(&id(it), "DEPENDS_ON", &id(&shipped[*need])));
        }
        if let Origin::Within(parent) = it.origin {
            relationships.push(relationship(&id(&shipped[parent]), "CONTAINS", &id(it)));
        }
    }
    let mut document = json!({
        "spdxVersion": "SPDX-2.3",
        "dataLicense": "CC0-1.0",
        "SPDXID": "SPDXRef-DOCUMENT",
        "name": format!("trug-{}", shipped[0].version),
        "creationInfo": {
            "created": made.strftime("%Y-%m-%dT%H:%M:%SZ").to_string(),
            "creators": [format!("Tool: trug-bill-{}", shipped[0].version)],
        },
        "packages": packages,
        "relationships": relationships,
        "hasExtractedLicensingInfos": [{
            "licenseId": PUBLIC_DOMAIN,
            "name": "Public domain",
            "extractedText": PUBLIC_DOMAIN_TEXT,
        }],
    });
    let mut name = String::new();
    for byte in &digest(&SHA256, document.to_string().as_bytes()).as_ref()[..16] {
        write!(name, "{byte:02x}")?;
    }
    document["documentNamespace"] =
        json!(format!("https://spdx.org/spdxdocs/trug-{}-{name}", shipped[0].version));
    Ok(format!("{document:#}\n"))
}

/// Letters, digits, `.` and `-` are all that an identifier may have.
fn id(package: &ShippedPackage) -> String {
    let name = format!("{}-{}", package.name, package.version);
    let plain = |c: char| if c.is_ascii_alphanumeric() || c == '.' { c } else { '-' };
    format!("SPDXRef-Package-{}", name.chars().map(plain).collect::<String>())
}

fn relationship(of: &str, kind: &str, to: &str) -> Value {
    json!({ "spdxElementId": of, "relationshipType": kind, "relatedSpdxElement": to })
}

fn package(it: &ShippedPackage) -> anyhow::Result<Value> {
    let (name, version) = (&it.name, &it.version);
    let mut package = json!({
        "SPDXID": id(it),
        "name": name,
        "versionInfo": version,
        // The package URL below names it; from where it came is not known here.
        "downloadLocation": "NOASSERTION",
        "filesAnalyzed": false,
        "licenseConcluded": it.licence,
        "licenseDeclared": it.licence,
        "copyrightText": holders(it)?.join("\n"),
        "primaryPackagePurpose": if it.origin == Origin::Here { "APPLICATION" } else { "LIBRARY" },
    });
    if let Some(address) = &it.address {
        package["homepage"] = json!(address);
    }
    if let Some(sha256) = &it.sha256 {
        package["checksums"] = json!([{ "algorithm": "SHA256", "checksumValue": sha256 }]);
    }
    if it.origin == Origin::Registry {
        package["externalRefs"] = json!([{
            "referenceCategory": "PACKAGE-MANAGER",
            "referenceType": "purl",
            "referenceLocator": format!("pkg:cargo/{name}@{}", version.replace('+', "%2B")),
        }]);
    }
    Ok(package)
}
