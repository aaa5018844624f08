//! The description of an API, as an owner would write it of how it is.

use crate::habits::{Habits, Paging, Shape, Tags};

impl Habits {
    /// The description that an owner would write of it.
    pub(crate) fn description(&self) -> String {
        let visible_within = format!("visible_within = \"{}ms\"\n", self.visible_within);
        let base = "base = \"{+values.server}/desk\"\n";
        let paging = match self.paging {
            Paging::Whole => "",
            Paging::Number(true) => "paging = { first_page = 1, last_page = \"/leaf/of\" }\n",
            Paging::Number(false) => "paging = { first_page = 1 }\n",
            Paging::Cursor => "paging = { cursor = \"/leaf/next\" }\n",
            Paging::Link if self.by_header() => "paging = { link = \"next\" }\n",
            Paging::Link => "paging = { next = \"/leaf/link\" }\n",
        };
        let page = match self.paging {
            Paging::Number(_) => "{&page}",
            Paging::Cursor => "{&cursor}",
            Paging::Whole | Paging::Link => "",
        };
        let name = if self.relative { "{relative}" } else { "{name}" };
        let names = if self.relative { "relative" } else { "absolute" };
        let ok = if self.ok { "ok = \"/fine\"\n" } else { "" };
        let etag = if matches!(self.tags, Tags::Strong | Tags::Ignored) { "etag = true\n" } else { "" };
        let auth = "[auth]\nkind = \"bearer\"\n";
        let types = if self.forms.numbers { "types = \"numbers\"\n" } else { "" };
        let ttls = if self.forms.units { "ttls = \"units\"\n" } else { "" };
        let item = format!(
            "{types}{ttls}name = \"/label\"\ntype = \"/sort\"\nttl = \"/keep_for\"\ndisabled = \"/resting\"\nnames = \"{names}\"\napex = \"@\"\n"
        );
        let answer = format!("[answer]\n{ok}message = \"/trouble/says\"\n");
        if self.shape == Shape::Record {
            let filter = self.by_name.map(|_| format!("&label={name}")).unwrap_or_default();
            let get = format!("[get]\nuri = \"/cards/{{record_id}}\"\nitem = \"/card\"\n{etag}");
            let get = if self.get { get } else { String::new() };
            let replace = if self.whole {
                "method = \"PUT\"\nuri = \"/cards/{record_id}\"\nwhole = true\n"
            } else {
                "method = \"POST\"\nuri = \"/cards/{record_id}\"\nbody = '{ \"points_to\": \"{address}\", \"keep_for\": \"{ttl}\" }'\n"
            };
            return format!(
                "shape = \"record\"\n{visible_within}{base}{auth}\
                 [zone]\nuri = \"/shelves?label={{zone}}\"\nitems = \"/shelves\"\nname = \"/label\"\nid = \"/shelf\"\n\
                 [list]\nuri = \"/shelves/{{zone_id}}/cards?room=9{filter}{page}\"\nitems = \"/cards\"\n{paging}{get}\
                 [item]\nid = \"/card\"\naddress = \"/points_to\"\n{item}\
                 [create]\nmethod = \"POST\"\nuri = \"/shelves/{{zone_id}}/cards\"\n\
                 body = '{{ \"label\": \"{name}\", \"sort\": \"{{type}}\", \"keep_for\": \"{{ttl}}\", \"points_to\": \"{{address}}\" }}'\n\
                 [replace]\n{replace}\
                 [delete]\nmethod = \"DELETE\"\nuri = \"/cards/{{record_id}}\"\n{answer}"
            );
        }
        let get = format!("[get]\nuri = \"/shelves/{{zone}}/sets/{name}/{{type}}\"\nitem = \"/set\"\n{etag}");
        let get = if self.get { get } else { String::new() };
        let body = format!(
            "{{ \"label\": \"{name}\", \"sort\": \"{{type}}\", \"keep_for\": \"{{ttl}}\", \"cards\": \"{{members}}\" }}"
        );
        let writes = if self.together {
            format!(
                "[replace]\nmethod = \"PATCH\"\nuri = \"/shelves/{{zone}}/sets\"\nchange = '{body}'\nbody = '{{ \"sets\": \"{{changes}}\" }}'\nmost = 3\n"
            )
        } else {
            let what = if self.whole { "whole = true".to_owned() } else { format!("body = '{body}'") };
            format!(
                "[create]\nmethod = \"POST\"\nuri = \"/shelves/{{zone}}/sets\"\nbody = '{body}'\n\
                 [replace]\nmethod = \"PUT\"\nuri = \"/shelves/{{zone}}/sets/{name}/{{type}}\"\n{what}\n"
            )
        };
        format!(
            "shape = \"rrset\"\n{visible_within}{base}{auth}\
             [list]\nuri = \"/shelves/{{zone}}/sets?room=9{page}\"\nitems = \"/sets\"\n{paging}{get}\
             [item]\nmembers = \"/cards\"\naddress = \"/points_to\"\nnew_member = '{{ \"points_to\": \"{{address}}\" }}'\n{item}\
             {writes}{answer}"
        )
    }
}
