//! Groups of sites, which are granted together.

use std::collections::BTreeSet;

use ringtrue_fleet::grant::SiteGroup;
use ringtrue_fleet::key::{SiteGroupId, SiteId};
use serde::{Deserialize, Serialize};

use super::sites::reach;
use super::wishes::{raise_access_version, site_ids};
use crate::columns::{Place, json};
use crate::database::{Connection, query, query_as, query_scalar};
use crate::{Error, Read, Request, Tx};

/// A row of `site_group`; also its document in the audit chain.
#[derive(Debug, Clone, PartialEq, sqlx::FromRow, Serialize, Deserialize)]
pub(crate) struct SiteGroupRow {
    id: String,
    display_name: String,
    sites: String,
    is_removed: bool,
    revision: i64,
    created_at: i64,
    updated_at: i64,
}

impl SiteGroupRow {
    pub(crate) fn name(&self) -> String {
        format!("siteGroups/{}", self.id)
    }

    pub(crate) fn site_group(self) -> Result<SiteGroup, Error> {
        let place = Place {
            table: "site_group",
            key: &self.id,
        };
        Ok(SiteGroup {
            key: place.id("id", SiteGroupId::new(&self.id))?,
            sites: site_ids(place, "sites", &self.sites)?,
            revision: self.revision,
            updated_at: place.moment("updated_at", self.updated_at)?,
            display_name: self.display_name,
        })
    }
}

async fn row_of(
    connection: &mut Connection,
    id: &SiteGroupId,
) -> Result<Option<SiteGroupRow>, Error> {
    const SQL: &str = "SELECT * FROM site_group WHERE id = $1";
    let rows: Vec<SiteGroupRow> = query_as(SQL)
        .bind(id.as_str())
        .fetch_all(connection)
        .await?;
    Ok(rows.into_iter().next())
}

impl Read {
    /// The groups that are not removed, by id. A scope of some sites sees those that one of its sites belongs to,
    /// each with those sites only.
    pub async fn site_groups(&self) -> Result<Vec<SiteGroup>, Error> {
        const SQL: &str = "SELECT * FROM site_group AS g WHERE NOT g.is_removed
            AND ($1 IS NULL OR EXISTS (SELECT 1 FROM json_each(g.sites) AS one
                WHERE one.value IN (SELECT value FROM json_each($1))))
            ORDER BY g.id";
        let rows: Vec<SiteGroupRow> = query_as(SQL)
            .bind(reach(&self.scope))
            .fetch_all(&mut self.connection().await?)
            .await?;
        let mut groups = Vec::with_capacity(rows.len());
        for row in rows {
            let mut group = row.site_group()?;
            group.sites.retain(|site| self.scope.reaches(site));
            groups.push(group);
        }
        Ok(groups)
    }
}

impl Tx {
    /// The first of some sites that does not exist.
    pub async fn missing_site(
        &mut self,
        sites: &BTreeSet<SiteId>,
    ) -> Result<Option<SiteId>, Error> {
        const SQL: &str = "SELECT id FROM site WHERE id IN (SELECT value FROM json_each($1))";
        for site in sites {
            self.within(site)?;
        }
        let wanted: Vec<&str> = sites.iter().map(SiteId::as_str).collect();
        let found: Vec<String> = query_scalar(SQL)
            .bind(json(&wanted))
            .fetch_all(self.connection())
            .await?;
        let found: BTreeSet<&str> = found.iter().map(String::as_str).collect();
        let missing = sites.iter().find(|site| !found.contains(site.as_str()));
        Ok(missing.cloned())
    }

    /// A group, unless it was removed. For a scope that reaches every site.
    pub async fn site_group(&mut self, id: &SiteGroupId) -> Result<Option<SiteGroup>, Error> {
        self.everywhere()?;
        let row = row_of(self.connection(), id).await?;
        row.filter(|row| !row.is_removed)
            .map(SiteGroupRow::site_group)
            .transpose()
    }

    /// Whether a group of this id was removed. For a scope that reaches every site.
    pub async fn site_group_was_removed(&mut self, id: &SiteGroupId) -> Result<bool, Error> {
        self.everywhere()?;
        let row = row_of(self.connection(), id).await?;
        Ok(row.is_some_and(|row| row.is_removed))
    }

    /// How many groups there are. For a scope that reaches every site.
    pub async fn site_group_count(&mut self) -> Result<i64, Error> {
        const SQL: &str = "SELECT COUNT(*) FROM site_group WHERE NOT is_removed";
        self.everywhere()?;
        Ok(query_scalar(SQL).fetch_one(self.connection()).await?)
    }

    /// Stores a version of a group: whoever was granted the group reaches its sites at once. For a scope that reaches
    /// every site.
    pub async fn put_site_group(
        &mut self,
        group: &SiteGroup,
        request: &Request,
    ) -> Result<(), Error> {
        self.write_site_group(group, false, "site_group.set", request)
            .await
    }

    /// Removes a group: whoever was granted it loses its sites at once. What is given is its next version. For a scope
    /// that reaches every site.
    pub async fn remove_site_group(
        &mut self,
        group: &SiteGroup,
        request: &Request,
    ) -> Result<(), Error> {
        self.write_site_group(group, true, "site_group.remove", request)
            .await
    }

    async fn write_site_group(
        &mut self,
        group: &SiteGroup,
        is_removed: bool,
        action: &'static str,
        request: &Request,
    ) -> Result<(), Error> {
        const SQL: &str = "INSERT INTO site_group (id, display_name, sites, is_removed, revision, created_at,
                updated_at)
            VALUES ($1, $2, $3, $4, $5, $6, $7)
            ON CONFLICT (id) DO UPDATE SET display_name = excluded.display_name, sites = excluded.sites,
                is_removed = excluded.is_removed, revision = excluded.revision,
                updated_at = excluded.updated_at";
        self.everywhere()?;
        let before = row_of(self.connection(), &group.key).await?;
        let sites: Vec<&str> = group.sites.iter().map(SiteId::as_str).collect();
        let updated_at = group.updated_at.as_microsecond();
        let row = SiteGroupRow {
            id: group.key.to_string(),
            display_name: group.display_name.clone(),
            sites: json(&sites),
            is_removed,
            revision: group.revision,
            created_at: before.map_or(updated_at, |before| before.created_at),
            updated_at,
        };
        query(SQL)
            .bind(&row.id)
            .bind(&row.display_name)
            .bind(&row.sites)
            .bind(row.is_removed)
            .bind(row.revision)
            .bind(row.created_at)
            .bind(row.updated_at)
            .execute(self.connection())
            .await?;
        raise_access_version(self.connection()).await?;
        self.access_changed("", action, row.name(), &row, request, group.updated_at)
            .await
    }
}
