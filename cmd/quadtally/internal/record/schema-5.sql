-- Version 5: a second observer's count of a quadrat stands beside the first.

alter table observation add column beside text not null default ''; -- observer whose value stands beside the one in force; '' the one in force
